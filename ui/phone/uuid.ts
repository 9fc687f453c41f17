// Identifiers made on the phone: UUIDv7 (RFC 9562, 2024, section 5.7): 48 bits
// of Unix time in ms, version 7, 12 bits that count within a millisecond
// (section 6.2, method 1), variant, 62 random bits.

// uuidOf puts together the parts: ms of Unix time, 12 bits, 62 bits in 8 bytes
// of which the first two bits are not used.
export function uuidOf(ms: number, twelve: number, tail: Uint8Array): string {
  const b = new Uint8Array(16);
  let t = ms;
  for (let i = 5; i >= 0; i--) {
    b[i] = t % 256;
    t = Math.floor(t / 256);
  }
  b[6] = 0x70 | (twelve >> 8);
  b[7] = twelve & 255;
  b.set(tail.subarray(0, 8), 8);
  b[8] = 0x80 | (b[8] & 0x3f);
  const hex = [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
  return `${hex.slice(0, 8)}-${hex.slice(8, 12)}-${hex.slice(12, 16)}-${hex.slice(16, 20)}-${hex.slice(20)}`;
}

let lastMs = 0;
let count = 0;

// uuidv7 makes the next identifier; later ones sort after earlier ones, also
// when the clock is set back.
export function uuidv7(now = Date.now(), random: (b: Uint8Array<ArrayBuffer>) => Uint8Array = (b) => crypto.getRandomValues(b)): string {
  const tail = random(new Uint8Array(10));
  if (now > lastMs) {
    lastMs = now;
    count = ((tail[8] << 8) | tail[9]) & 0x3ff; // room for 3072 more in this millisecond
  } else if (++count > 0xfff) {
    lastMs++;
    count = 0;
  }
  return uuidOf(lastMs, count, tail);
}

// localTime writes an instant as the phone's clock shows it: RFC 3339 with
// milliseconds and the offset of its zone.
export function localTime(d = new Date(), offsetMin = -d.getTimezoneOffset()): string {
  const local = new Date(d.getTime() + offsetMin * 60000).toISOString().slice(0, 23);
  const o = Math.abs(offsetMin);
  const two = (n: number): string => String(n).padStart(2, "0");
  return `${local}${offsetMin < 0 ? "-" : "+"}${two(Math.floor(o / 60))}:${two(o % 60)}`;
}
