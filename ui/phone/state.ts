import { core, Faults } from "./core";
import type { Day, Event, Fault, Me, Pack } from "./model";
import * as store from "./store";
import { localTime, uuidv7 } from "./uuid";

// The day as the page knows it. The store has the last word; everything here
// can be made again from it.
export const state = {
  me: null as Me | null,
  pack: null as Pack | null,
  day: null as Day | null,
  own: [] as Event[], // this phone's notes of the day
  seq: 0,
  access: "" as "" | "unknown" | "revoked",
  waiting: 0, refused: 0, stuck: 0, photosLeft: 0, photosAll: 0,
  picsRefused: [] as Fault[][], // why the server does not take a picture; the picture stays here
  sentAt: "", failed: false, syncing: false,
  offset: null as number | null, // server less phone, in ms
  lost: null as null | { missing: number; known: boolean; back: number },
  room: null as null | { used: number; quota: number; kept: boolean },
  update: null as ServiceWorker | null,
  container: { container: "", lot: "" },
  lastTree: "",
  position: null as null | { lat: number; lon: number; accuracy: number },
  writing: 0,
  core: false, // the core has the day
};

let told = (): void => undefined;
const coreThere = new Promise<void>((done) => { told = done; });
export function coreIsThere(): void {
  state.core = true;
  told();
}

const listeners = new Set<() => void>();
export const onChange = (f: () => void): void => { listeners.add(f); };
export function changed(): void { listeners.forEach((f) => f()); }

const others = typeof BroadcastChannel === "undefined" ? null : new BroadcastChannel("sapward-phone");
others?.addEventListener("message", () => { void lock("sapward-note", reload).then(changed); });

// lock lets one page of this phone at a time do a thing.
export function lock<T>(name: string, f: () => Promise<T>): Promise<T> {
  return navigator.locks ? (navigator.locks.request(name, f) as Promise<T>) : f();
}

// reload puts the day into the core again from the store.
export async function reload(): Promise<void> {
  if (!state.pack || !state.me) return;
  const mine = (await store.events()).filter((e) => e.day === state.me!.day);
  const theirs = await store.others();
  core.open(state.pack, [...mine.map((e) => e.text), ...theirs.filter((o) => o.day === state.me!.day).map((o) => o.text)]);
  state.own = mine.filter((e) => e.device === state.me!.device).map((e) => JSON.parse(e.text) as Event).sort((a, b) => a.seq! - b.seq!);
  state.seq = Math.max((await store.get<number>("seq")) ?? 0, state.own.at(-1)?.seq ?? 0);
  state.day = core.day();
  await recount();
}

// recount says what is still on this phone only.
export async function recount(): Promise<void> {
  const waiting = await store.waiting();
  const mine = (e: { day: string; device: string }): boolean => e.day === state.me?.day && e.device === state.me?.device;
  state.waiting = waiting.filter(mine).length;
  state.stuck = waiting.length - state.waiting;
  state.refused = (await store.events()).filter((e) => e.state === "refused").length;
  const pics = await store.photos();
  state.photosAll = pics.length;
  state.photosLeft = pics.filter((p) => !p.done).length;
  state.picsRefused = pics.filter((p) => !p.done && p.faults).map((p) => p.faults!);
}

const bytes = new TextEncoder();

// note keeps events, in one step for all of them. When it returns they are on
// the disk; when it throws, none is.
export async function note(parts: Event[], pic?: store.Photo): Promise<void> {
  const me = state.me;
  if (!me) return;
  state.writing++;
  await coreThere; // a note waits for the core, not for the server
  try {
    await lock("sapward-note", async () => {
      let seq = (await store.get<number>("seq")) ?? 0;
      if (seq !== state.seq) { // another page of this phone has written
        await reload();
        seq = Math.max(seq, state.seq);
      }
      const kept: store.Kept[] = [];
      const made: Event[] = [];
      const several = parts.length > 1;
      try {
        for (const part of parts) {
          const { event, text } = core.write({ ...part, id: uuidv7(), at: localTime(), device: me.device, person: me.person, day: me.day, seq: ++seq });
          kept.push({ id: event.id!, seq, day: event.day!, device: me.device, tree: event.tree ?? "", kind: event.kind, text, sha256: await store.sha256(bytes.encode(text)), state: "waiting" });
          made.push(event);
          if (several) core.add([text]); // the next one has seen it
        }
        await store.add(kept, seq, pic);
      } catch (e) {
        if (several) await reload();
        throw e;
      }
      if (!several) core.add([kept[0].text]);
      state.seq = seq;
      state.own.push(...made);
      store.setMark({ device: me.device, seq });
      state.waiting += kept.length;
      if (pic) {
        state.photosLeft++;
        state.photosAll++;
      }
      state.day = core.day();
      others?.postMessage("noted");
    });
  } finally {
    state.writing--;
  }
  changed();
  document.dispatchEvent(new CustomEvent("sapward-noted"));
}

export { Faults };
