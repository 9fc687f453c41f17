import { core } from "./core";
import type { Event, Fault, Me, Pack } from "./model";
import { changed, lock, recount, refresh, reload, state } from "./state";
import * as store from "./store";

// Sending and fetching. Nothing here is on the way of a note: it takes what the
// store holds, again and again, until the server has confirmed it.

const mostEvents = 500; // in one message, as the server takes
const mostBytes = 1_500_000;
const chunk = 256 * 1024; // of a photo
const patience = 20_000; // ms for one answer

class Refusal extends Error {
  constructor(public status: number, public body: { reason?: string; have?: number; faults?: Fault[] }) { super(String(status)); }
}

async function ask<T>(path: string, init: RequestInit = {}): Promise<T> {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), patience);
  try {
    const r = await fetch(path, { ...init, signal: stop.signal, cache: "no-store", headers: { ...(init.method ? { "X-Sapward": "1", "Content-Type": "application/json" } : {}), ...init.headers } });
    if (!r.ok) throw new Refusal(r.status, (await r.json().catch(() => ({}))) as { reason?: string });
    return (await r.json()) as T;
  } finally {
    clearTimeout(timer);
  }
}

function heard(now: string, asked: number): void {
  const server = Date.parse(now);
  if (!Number.isNaN(server)) state.offset = server - (asked + Date.now()) / 2;
  void store.put("offset", state.offset);
}

// attend looks who this phone is. It begins a day when the server names one
// that the phone has not.
export async function attend(): Promise<void> {
  const asked = Date.now();
  const me = await ask<Me>("me");
  heard(me.now, asked);
  if ((!me.upload_only || !state.me) && (me.device !== state.me?.device || me.day !== state.me?.day || !state.pack)) {
    await begin(me);
  } else if (me.pack !== state.pack?.version) {
    await repack();
  }
  if (state.access) {
    state.access = "";
    await store.put("access", "");
  }
}

async function begin(me: Me): Promise<void> {
  const pack = await ask<Pack>("pack");
  const mark = store.mark();
  const emptied = mark !== null && mark.device === me.device && (await store.count()) === 0;
  // what this very phone noted before may be on the server already
  const own: store.Kept[] = [];
  const from: store.Other[] = [];
  let cursor = 0;
  for (;;) {
    const a = await ask<Answer>("events", { method: "POST", body: JSON.stringify({ cursor, all: true, events: [] }) });
    const t = await told(a.events as Event[], me.device);
    own.push(...t.own);
    from.push(...t.from);
    cursor = a.cursor;
    if (!a.more || !a.events.length) break;
  }
  const last = own.reduce((m, e) => Math.max(m, e.seq), mark?.device === me.device ? mark.seq : 0);
  const have = new Set(own.map((e) => e.seq));
  for (const e of await store.events()) if (e.device === me.device) have.add(e.seq);
  let missing = 0;
  for (let s = 1; s <= last; s++) if (!have.has(s)) missing++;
  state.lost = emptied || (own.length > 0 && (await store.count()) === 0) ? { missing, known: emptied, back: own.length } : null;
  await lock("sapward-note", async () => {
    await store.join(me, pack, last);
    await store.settle([], [], from, own, cursor);
    await store.put("lost", state.lost);
    state.me = me;
    state.pack = pack;
    await reload();
  });
  store.setMark({ device: me.device, seq: last });
  changed();
}

// told sorts what the server sent into this phone's own and others'.
async function told(list: Event[], device: string): Promise<{ own: store.Kept[]; from: store.Other[] }> {
  const own: store.Kept[] = [];
  const from: store.Other[] = [];
  for (const e of list) {
    const text = JSON.stringify(e); // the order of names is kept: canonical again
    if (e.device === device) {
      own.push({ id: e.id!, seq: e.seq!, day: e.day!, device, tree: e.tree ?? "", kind: e.kind, text, sha256: await store.sha256(new TextEncoder().encode(text)), state: "confirmed" });
    } else {
      from.push({ id: e.id!, day: e.day!, text });
    }
  }
  return { own, from };
}

async function repack(): Promise<void> {
  const pack = await ask<Pack>("pack");
  await store.put("pack", pack);
  await lock("sapward-note", async () => {
    state.pack = pack;
    await reload();
  });
  changed();
}

interface Answer {
  confirmed: { id: string; sha256: string }[]; refused: { id: string; faults: Fault[] }[];
  events: unknown[]; cursor: number; more: boolean; now: string; pack: number;
}

// exchange sends what waits and takes what others noted.
async function exchange(): Promise<void> {
  let most = mostEvents;
  const tried = new Set<string>(); // sent in this round and not answered for
  for (;;) {
    const list: store.Kept[] = [];
    let size = 0;
    for (const e of await store.waiting()) {
      if (e.day !== state.me!.day || e.device !== state.me!.device || tried.has(e.id)) continue;
      if (list.length >= most || size + e.text.length > mostBytes) break;
      list.push(e);
      size += e.text.length;
    }
    const cursor = (await store.get<number>("cursor")) ?? 0;
    const asked = Date.now();
    let a: Answer;
    try {
      a = await ask<Answer>("events", { method: "POST", body: `{"cursor":${cursor},"events":[${list.map((e) => e.text).join()}]}` });
    } catch (e) {
      if (e instanceof Refusal && e.status === 413 && most > 1) {
        most = Math.max(1, most >> 1);
        continue;
      }
      throw e;
    }
    heard(a.now, asked);
    const sent = new Map(list.map((e) => [e.id, e]));
    list.forEach((e) => tried.add(e.id));
    const done = a.confirmed.filter((c) => sent.get(c.id)?.sha256 === c.sha256).map((c) => c.id);
    const refused = a.refused.filter((r) => sent.has(r.id));
    for (const c of a.confirmed) {
      if (sent.has(c.id) && sent.get(c.id)!.sha256 !== c.sha256) refused.push({ id: c.id, faults: [{ id: "phone-differs" }] });
    }
    const { own, from } = await told(a.events as Event[], state.me!.device);
    await store.settle(done, refused, from, own, a.cursor);
    if (from.length) {
      const added = core.add(from.map((o) => o.text));
      state.others += added.added ?? 0;
      refresh(added.changed ?? []);
    }
    const known = new Set(state.own.map((e) => e.id));
    if (own.some((e) => !known.has(e.id))) await lock("sapward-note", reload); // never between a note and the core
    if (a.pack !== state.pack!.version) await repack();
    const left = (await store.waiting()).some((e) => e.day === state.me!.day && e.device === state.me!.device && !tried.has(e.id));
    if (!left && !a.more) break;
    if (!left && !a.events.length) break; // an answer that leads nowhere
  }
}

// sendPhotos sends pictures one at a time and goes on where the line broke.
// One that the server does not take stays, with the reason; it is tried again
// when somebody asks for it.
async function sendPhotos(all: boolean): Promise<void> {
  for (const p of await store.photos()) {
    if (p.done || (p.faults && !all) || p.day !== state.me!.day) continue;
    let { have, done } = await ask<{ have: number; done: boolean }>(`photos/${p.sha256}`);
    if (done) await store.putPhoto({ ...p, sent: p.blob.size, done, faults: undefined });
    for (let again = 0; !done;) {
      const from = Math.min(have, p.blob.size - 1); // whole there and not kept yet: its last byte once more
      const end = Math.min(from + chunk, p.blob.size);
      try {
        const r = await ask<{ have: number; done: boolean }>(`photos/${p.sha256}`, {
          method: "PUT", body: p.blob.slice(from, end), headers: { "Content-Type": p.blob.type || "image/jpeg", "Content-Range": `bytes ${from}-${end - 1}/${p.blob.size}` },
        });
        if (r.have <= have && !r.done) throw new Error("no progress");
        have = r.have;
        done = r.done;
      } catch (e) {
        if (e instanceof Refusal && e.status === 409 && e.body.have !== undefined && again++ < 5) {
          have = e.body.have;
          continue;
        }
        if (e instanceof Refusal && e.status >= 400 && e.status < 500 && e.status !== 401 && e.status !== 429 && e.status !== 408) {
          await store.putPhoto({ ...p, sent: have, faults: e.body.faults?.length ? e.body.faults : [{ id: "phone-photo-refused" }] });
          break;
        }
        throw e;
      }
      await store.putPhoto({ ...p, sent: have, done, faults: undefined });
    }
    await recount();
    changed();
  }
}

let wait = 0; // ms until the next try after a failure
let timer = 0;

// sync runs one round, one at a time over all pages of this phone.
export async function sync(all = false): Promise<boolean> {
  if (state.syncing) return false;
  state.syncing = true;
  let good = false;
  try {
    await lock("sapward-sync", async () => {
      await attend();
      await exchange();
      await sendPhotos(all);
    });
    good = true;
    wait = 0;
    state.failed = false;
    state.sentAt = new Date().toISOString();
    await store.put("sent_at", state.sentAt);
  } catch (e) {
    if (e instanceof Refusal && e.status === 401) {
      state.access = e.body.reason === "revoked" ? "revoked" : "unknown";
      await store.put("access", state.access);
    }
    state.failed = true;
    wait = Math.min(60_000, wait ? wait * 2 : 2000);
    later(wait * (0.75 + Math.random() / 2));
  } finally {
    state.syncing = false;
  }
  await recount();
  await room();
  changed();
  return good;
}

export function later(ms: number): void {
  clearTimeout(timer);
  timer = window.setTimeout(() => { void sync(); }, ms);
}

// room watches how much the browser will still keep.
export async function room(): Promise<void> {
  if (!navigator.storage?.estimate) return;
  const e = await navigator.storage.estimate();
  state.room = { used: e.usage ?? 0, quota: e.quota ?? 0, kept: (await navigator.storage.persisted?.()) ?? false };
}
export function tight(): boolean {
  const r = state.room;
  return !!r && r.quota > 0 && (r.quota - r.used < 20e6 || r.used > 0.8 * r.quota);
}

export function keepSyncing(): void {
  window.addEventListener("online", () => { wait = 0; later(0); });
  document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") later(0); });
  document.addEventListener("sapward-noted", () => later(Math.max(2000, wait)));
  setInterval(() => { if (document.visibilityState === "visible" && !state.syncing && !wait) void sync(); }, 30_000);
}

const mostPictures = 20e6; // bytes of pictures in one file: the desk takes files of 32 MB, and base64 adds a third

// parcels says which pictures go into which file: those the server has not
// confirmed, in as few files as the desk can read.
export async function parcels(): Promise<string[][]> {
  const out: string[][] = [[]];
  let size = 0;
  for (const p of await store.photos()) {
    if (p.done) continue;
    if (size && size + p.blob.size > mostPictures) {
      out.push([]);
      size = 0;
    }
    out.at(-1)!.push(p.sha256);
    size += p.blob.size;
  }
  return out;
}

// exported puts everything this phone noted into one file, with the bytes of
// the pictures asked for; the others are named.
export async function exported(pictures: string[] = []): Promise<Blob> {
  const head = { schema: "sapward/phone-export/1", device: state.me?.device ?? "", person: state.me?.person ?? "", made_at: new Date().toISOString() };
  const parts: BlobPart[] = [JSON.stringify(head).slice(0, -1), `,"events":[`, (await store.events()).sort((a, b) => a.seq - b.seq).map((e) => `\n${e.text}`).join(), `\n],"photos":[`];
  const pics = await store.photos();
  for (const [i, p] of pics.entries()) {
    const base64 = pictures.includes(p.sha256) ? await new Promise<string>((ok, bad) => {
      const r = new FileReader();
      r.onload = () => ok(String(r.result).split(",")[1] ?? "");
      r.onerror = () => bad(r.error);
      r.readAsDataURL(p.blob);
    }) : "";
    parts.push(`${i ? "," : ""}\n`, JSON.stringify({ sha256: p.sha256, tree: p.tree, day: p.day, bytes: p.blob.size, type: p.blob.type, base64 }));
  }
  parts.push("\n]}\n");
  return new Blob(parts, { type: "application/json" });
}
