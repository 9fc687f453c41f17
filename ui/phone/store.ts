import { openDB, type IDBPDatabase } from "../vendor/idb/index.js";
import type { Fault, Me, Pack } from "./model";

// What the phone keeps. An event is written before the screen says it is noted
// and leaves only when the server has confirmed its very bytes and a later day
// was joined.

export interface Kept { id: string; seq: number; day: string; device: string; tree: string; kind: string; text: string; sha256: string; state: "waiting" | "confirmed" | "refused"; faults?: Fault[] }
export interface Other { id: string; day: string; text: string }
export interface Photo { sha256: string; blob: Blob; tree: string; day: string; sent: number; done: boolean; faults?: Fault[] }

let db: IDBPDatabase;

export async function open(): Promise<void> {
  db = await openDB("sapward-phone", 1, {
    upgrade(d) {
      d.createObjectStore("events", { keyPath: "id" }).createIndex("state", "state");
      d.createObjectStore("others", { keyPath: "id" });
      d.createObjectStore("photos", { keyPath: "sha256" });
      d.createObjectStore("kept");
    },
    blocking() { db.close(); },
  });
}

export const get = <T>(key: string): Promise<T | undefined> => db.get("kept", key) as Promise<T | undefined>;
// all reads what is kept by name, in one step.
export async function all(): Promise<Map<string, unknown>> {
  const s = db.transaction("kept").store;
  const [keys, values] = await Promise.all([s.getAllKeys(), s.getAll()]);
  return new Map(keys.map((k, i) => [String(k), values[i]]));
}
export const put = (key: string, value: unknown): Promise<unknown> => db.put("kept", value, key);
export const events = (): Promise<Kept[]> => db.getAll("events") as Promise<Kept[]>;
export const others = (): Promise<Other[]> => db.getAll("others") as Promise<Other[]>;
export const refused = (): Promise<number> => db.countFromIndex("events", "state", "refused");
export const waiting = (): Promise<Kept[]> => db.getAllFromIndex("events", "state", "waiting") as Promise<Kept[]>;
export const photos = (): Promise<Photo[]> => db.getAll("photos") as Promise<Photo[]>;
export const photo = (sha: string): Promise<Photo | undefined> => db.get("photos", sha) as Promise<Photo | undefined>;
export const putPhoto = (p: Photo): Promise<unknown> => db.put("photos", p);
export const count = (): Promise<number> => db.count("events");

// add keeps events, a photo and the device's number in one step, on the disk
// before it returns. It keeps nothing and says so when another page of this
// phone has counted further than had.
export async function add(list: Kept[], had: number, seq: number, pic?: Photo): Promise<boolean> {
  const tx = db.transaction(["events", "kept", "photos"], "readwrite", { durability: "strict" });
  if ((((await tx.objectStore("kept").get("seq")) as number | undefined) ?? 0) > had) {
    await tx.done;
    return false;
  }
  await Promise.all([
    ...list.map((e) => tx.objectStore("events").add(e)),
    tx.objectStore("kept").put(seq, "seq"),
    ...(pic ? [tx.objectStore("photos").put(pic)] : []),
    tx.done,
  ]);
  return true;
}

// settle takes an answer of the server: what it confirmed, what it refused,
// what others noted, and how far it has been read, all in one step.
export async function settle(done: string[], refused: { id: string; faults: Fault[] }[], from: Other[], own: Kept[], cursor: number): Promise<void> {
  const tx = db.transaction(["events", "others", "kept"], "readwrite", { durability: "strict" });
  const all = tx.objectStore("events");
  for (const id of done) {
    const e = (await all.get(id)) as Kept | undefined;
    if (e) await all.put({ ...e, state: "confirmed", faults: undefined });
  }
  for (const r of refused) {
    const e = (await all.get(r.id)) as Kept | undefined;
    if (e && e.state === "waiting") await all.put({ ...e, state: "refused", faults: r.faults });
  }
  for (const e of own) if (!(await all.get(e.id))) await all.put(e);
  for (const o of from) await tx.objectStore("others").put(o);
  await tx.objectStore("kept").put(cursor, "cursor");
  await tx.done;
}

// join begins a day or a device: what earlier ones left that is confirmed goes,
// what is not stays.
export async function join(me: Me, pack: Pack, seq: number): Promise<void> {
  const tx = db.transaction(["events", "others", "photos", "kept"], "readwrite", { durability: "strict" });
  for (const e of (await tx.objectStore("events").getAll()) as Kept[]) {
    if (e.day !== me.day && e.state === "confirmed") await tx.objectStore("events").delete(e.id);
  }
  for (const o of (await tx.objectStore("others").getAll()) as Other[]) {
    if (o.day !== me.day) await tx.objectStore("others").delete(o.id);
  }
  for (const p of (await tx.objectStore("photos").getAll()) as Photo[]) {
    if (p.day !== me.day && p.done) await tx.objectStore("photos").delete(p.sha256);
  }
  const kept = tx.objectStore("kept");
  await Promise.all([kept.put(me, "me"), kept.put(pack, "pack"), kept.put(seq, "seq"), kept.put(0, "cursor"), kept.delete("access"), tx.done]);
}

// The mark is a second, tiny memory: it tells an emptied store from a new phone.
export interface Mark { device: string; seq: number }
export function mark(): Mark | null {
  try {
    return JSON.parse(localStorage.getItem("sapward-phone") ?? "null") as Mark | null;
  } catch {
    return null;
  }
}
export function setMark(m: Mark): void {
  try {
    localStorage.setItem("sapward-phone", JSON.stringify(m));
  } catch { /* full: the store itself still counts */ }
}

export async function sha256(data: BufferSource): Promise<string> {
  const sum = await crypto.subtle.digest("SHA-256", data);
  return [...new Uint8Array(sum)].map((b) => b.toString(16).padStart(2, "0")).join("");
}
