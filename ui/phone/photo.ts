import { h, tell } from "./dom";
import { note } from "./state";
import { state } from "./state";
import * as store from "./store";
import { say } from "./words";

const longest = 1600; // px; a picture of a port stays readable at about 300 kB

// takePhoto opens the camera, makes the picture smaller and keeps it with its
// note in one step.
export function takePhoto(tag: string): void {
  const input = h("input", { type: "file", accept: "image/*", capture: "environment" }) as HTMLInputElement;
  input.addEventListener("change", () => {
    const f = input.files?.[0];
    if (f) keepPhoto(tag, f).then(() => tell(say("phone-noted-photo")), (e: Error) => tell(say("phone-not-kept", { cause: e.message }), true));
  });
  input.click();
}

export async function keepPhoto(tag: string, file: Blob): Promise<void> {
  const blob = await smaller(file);
  const sum = await store.sha256(await blob.arrayBuffer());
  if (await store.photo(sum)) return; // the same picture again
  await note([{ kind: "photo", tree: tag || undefined, photo: sum, bytes: blob.size }], { sha256: sum, blob, tree: tag, day: state.me!.day, sent: 0, done: false });
}

async function smaller(file: Blob): Promise<Blob> {
  try {
    const pic = await createImageBitmap(file);
    const k = Math.min(1, longest / Math.max(pic.width, pic.height));
    const c = h("canvas", { width: Math.round(pic.width * k), height: Math.round(pic.height * k) }) as HTMLCanvasElement;
    c.getContext("2d")!.drawImage(pic, 0, 0, c.width, c.height);
    const out = await new Promise<Blob | null>((ok) => c.toBlob(ok, "image/jpeg", 0.8));
    return out && (k < 1 || out.size < file.size) ? out : file;
  } catch {
    return file; // a form this browser cannot draw: kept as it is
  }
}
