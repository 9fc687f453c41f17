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
  sums: false, // the day's sums are of its lines
  seq: 0,
  others: 0, // notes of other phones
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

// Snap is the last picture of the day, with what it was made from.
export interface Snap { day: string; pack?: number; seq?: number; others?: number; sums?: boolean; state: Day }
export const snap = (): Snap => ({ day: state.me!.day, pack: state.pack!.version, seq: state.seq, others: state.others, sums: state.sums, state: state.day! });

// reload puts the day into the core again from the store. Where a last picture
// is at hand it stands until the core has read everything (readOn).
export async function reload(last?: Snap): Promise<void> {
  if (!state.pack || !state.me) return;
  const mine = (await store.events()).filter((e) => e.day === state.me!.day);
  const theirs = (await store.others()).filter((o) => o.day === state.me!.day);
  core.later(state.pack, [...mine.map((e) => e.text), ...theirs.map((o) => o.text)]);
  state.own = mine.filter((e) => e.device === state.me!.device).map((e) => JSON.parse(e.text) as Event).sort((a, b) => a.seq! - b.seq!);
  state.seq = Math.max((await store.get<number>("seq")) ?? 0, state.own.at(-1)?.seq ?? 0);
  state.others = theirs.length;
  const same = last?.day === state.me.day && last.pack === state.pack.version && last.others === state.others && last.seq !== undefined;
  if (same) {
    state.day = last.state;
    state.sums = !!last.sums;
    const since = state.own.filter((e) => e.seq! > last.seq!);
    if (since.length) refresh(since.map((e) => e.tree ?? ""));
  } else {
    state.day = core.day();
    state.sums = true;
  }
  await recount();
}

// refresh takes what the core says of some trees. The sums of the day are
// worked out when a screen asks for them.
export function refresh(tags: string[]): void {
  const day = state.day;
  if (!day) return;
  const lines = new Map(core.lines([...new Set(tags)].filter(Boolean)).map((l) => [l.tree, l]));
  day.trees = day.trees.map((l) => lines.get(l.tree) ?? l);
  state.sums = false;
}

// wholeDay is the day with its sums.
export function wholeDay(): Day {
  if (!state.sums) {
    state.day = core.day();
    state.sums = true;
  }
  return state.day!;
}

const idle = (): Promise<void> => new Promise((r) => {
  if (typeof requestIdleCallback === "undefined") setTimeout(r, 16);
  else requestIdleCallback(() => r(), { timeout: 300 });
});

// readOn has the core read the trees that nobody asked for yet, a few at a
// time between what a person does.
export async function readOn(): Promise<void> {
  for (let n = 2, left = 1; left;) {
    await idle();
    const from = performance.now();
    const r = core.more(n);
    if (r.faults.length) throw new Faults(r.faults);
    left = r.left;
    const took = performance.now() - from;
    n = took > 20 ? Math.max(1, n >> 1) : took < 8 ? n * 2 : n;
  }
  if (!state.sums) {
    await idle();
    wholeDay();
    changed();
  }
}

// recount says what is still on this phone only.
export async function recount(): Promise<void> {
  const [waiting, refused, pics] = await Promise.all([store.waiting(), store.refused(), store.photos()]);
  const mine = (e: { day: string; device: string }): boolean => e.day === state.me?.day && e.device === state.me?.device;
  state.waiting = waiting.filter(mine).length;
  state.stuck = waiting.length - state.waiting;
  state.refused = refused;
  state.photosAll = pics.length;
  state.photosLeft = pics.filter((p) => !p.done).length;
  state.picsRefused = pics.filter((p) => !p.done && p.faults).map((p) => p.faults!);
}

const bytes = new TextEncoder();
export const took: Record<string, number> = {}; // the last note's steps, for who measures

// note keeps events, in one step for all of them. When it returns they are on
// the disk, and only then the core and the screen know of them; when it throws,
// none is.
export async function note(parts: Event[], pic?: store.Photo): Promise<void> {
  const me = state.me;
  if (!me) return;
  state.writing++;
  await coreThere; // a note waits for the core, not for the server
  try {
    await lock("sapward-note", async () => {
      for (;;) {
        const had = state.seq;
        took.begin = performance.now();
        const list = core.write(parts.map((part, i) => ({ ...part, id: uuidv7(), at: localTime(), device: me.device, person: me.person, day: me.day, seq: had + i + 1 })));
        took.written = performance.now();
        const sums = await Promise.all(list.map((x) => store.sha256(bytes.encode(x.text))));
        const kept = list.map(({ event: e, text }, i): store.Kept => ({ id: e.id!, seq: e.seq!, day: e.day!, device: me.device, tree: e.tree ?? "", kind: e.kind, text, sha256: sums[i], state: "waiting" }));
        const seq = had + list.length;
        if (!(await store.add(kept, had, seq, pic))) { // another page of this phone has written
          await reload();
          continue;
        }
        took.kept = performance.now();
        core.add(list.map((x) => x.text));
        state.seq = seq;
        state.own.push(...list.map((x) => x.event));
        store.setMark({ device: me.device, seq });
        state.waiting += kept.length;
        if (pic) {
          state.photosLeft++;
          state.photosAll++;
        }
        refresh(parts.map((e) => e.tree ?? ""));
        others?.postMessage("noted");
        return;
      }
    });
  } finally {
    state.writing--;
  }
  took.known = performance.now();
  changed();
  took.drawn = performance.now();
  document.dispatchEvent(new CustomEvent("sapward-noted"));
}

export { Faults };
