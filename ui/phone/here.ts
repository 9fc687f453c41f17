import { button, h, tell, type Child } from "./dom";
import { changed, lock, state } from "./state";
import * as store from "./store";
import { exported, parcels, sync, tight } from "./sync";
import { finding, n, say, spoken } from "./words";
import { choices, fact, href, type Screen } from "./view";

// status is the line at the head: what is still here, or when all was sent.
export function status(): string {
  const left: string[] = [];
  const notes = state.waiting + state.refused + state.stuck;
  if (notes) left.push(say(notes === 1 ? "phone-one-note" : "phone-notes", { count: n(notes) }));
  if (state.photosLeft) left.push(say("phone-photos", { left: n(state.photosLeft), all: n(state.photosAll) }));
  if (left.length) return say("phone-still-here", { what: left.join(` ${say("phone-and")} `) });
  if (!state.sentAt) return say("phone-nothing-yet");
  const d = new Date(state.sentAt);
  return say("phone-all-sent", { time: `${String(d.getHours()).padStart(2, "0")}:${String(d.getMinutes()).padStart(2, "0")}` });
}

const limit = 2 * 60_000; // ms: a clock that is farther off is shown
export const clockOff = (): number | null => (state.offset !== null && Math.abs(state.offset) > limit ? state.offset : null);
export function offText(ms: number): string {
  const m = Math.round(Math.abs(ms) / 60_000);
  const size = m >= 2880 ? say("phone-days", { days: n(Math.round(m / 1440)) }) : m >= 120 ? `${Math.floor(m / 60)} h ${m % 60 ? `${m % 60} min` : ""}`.trim() : `${m} min`;
  return say(ms > 0 ? "phone-clock-behind" : "phone-clock-ahead", { time: size });
}

// banners are what must be seen on every screen.
export function banners(): Child[] {
  const out: Child[] = [];
  if (state.access) out.push(h("a", { class: "banner bad", href: href("here") }, say(`phone-access-${state.access}`)));
  if (state.update) out.push(button("banner", say("phone-new-version"), () => { void useUpdate(); }));
  const off = clockOff();
  if (off !== null) out.push(h("a", { class: "banner", href: href("here") }, offText(off)));
  if (state.lost) out.push(h("a", { class: "banner bad", href: href("here") }, lostText()));
  if (tight()) out.push(h("a", { class: "banner bad", href: href("here") }, say("phone-room-tight")));
  if (state.picsRefused.length) out.push(h("a", { class: "banner bad", href: href("here") }, say("phone-photos-refused", { count: n(state.picsRefused.length) })));
  if (state.refused) out.push(h("a", { class: "banner bad", href: href("here") }, say("phone-refused-some", { count: n(state.refused) })));
  return out;
}

function lostText(): string {
  const l = state.lost!;
  return l.missing ? say("phone-lost", { missing: n(l.missing), back: n(l.back) }) : say("phone-emptied", { back: n(l.back) });
}

// useUpdate hands over to the new version once nobody writes.
async function useUpdate(): Promise<void> {
  const w = state.update;
  if (!w) return;
  while (state.writing || document.querySelector("dialog[open]")) await new Promise((r) => setTimeout(r, 100));
  await lock("sapward-note", async () => { w.postMessage("use"); });
  // The old worker may still be busy with an answer that does not come: opening
  // the page anew lets go of it.
  setTimeout(() => {
    if (state.update?.state === "installed") w.postMessage("use");
  }, 1000);
  setTimeout(() => {
    if (state.update?.state === "installed") void lock("sapward-note", async () => { location.reload(); });
  }, 2500);
}

let part = 0; // of several files with pictures, the next one

// save writes a file. Pictures that are too many for one file go into several,
// one for each touch: browsers let a page save only one at a time.
async function save(photos: boolean): Promise<void> {
  const all = photos ? await parcels() : [[]];
  if (part >= all.length || !photos) part = 0;
  const blob = await exported(all[part]);
  const name = `sapward-${state.pack?.on ?? "day"}-${(state.me?.device ?? "phone").slice(-6)}${all.length > 1 ? `-${part + 1}` : ""}.json`;
  const a = h("a", { href: URL.createObjectURL(blob), download: name }) as HTMLAnchorElement;
  document.body.append(a);
  a.click();
  a.remove();
  setTimeout(() => URL.revokeObjectURL(a.href), 60_000);
  part = (part + 1) % all.length;
  tell(part ? say("phone-saved-part", { part: n(part), all: n(all.length) }) : say("phone-saved"));
}

export function here(theme: string, setTheme: (t: "auto" | "light" | "dark") => void): Screen {
  const r = state.room;
  const mb = (x: number): string => (x < 1e9 ? `${Math.ceil(x / 1e6)} MB` : `${(x / 1e9).toFixed(1)} GB`);
  const off = clockOff();
  const refused = h("ul", { class: "rows" });
  if (state.refused) {
    void store.events().then((all) => refused.append(...all.filter((e) => e.state === "refused").map((e) => h("li", null, h("span", { class: "grow" }, h("b", null, `${say(`phone-kind-${e.kind}`)} ${e.tree}`), h("small", null, (e.faults ?? []).map((f) => finding(f)).join(" ")))))));
  }
  return {
    title: say("phone-here"), sub: status(), up: href("day"),
    body: [
      state.access ? h("p", { class: "note warn" }, say(`phone-access-${state.access}-long`)) : null,
      state.lost ? h("div", { class: "note warn" }, h("p", null, lostText()), button("plain slim", say("phone-seen"), async () => { state.lost = null; await store.put("lost", null); changed(); })) : null,
      state.stuck ? h("p", { class: "note warn" }, say("phone-stuck", { count: n(state.stuck) })) : null,
      state.refused ? h("section", null, h("h2", null, say("phone-refused")), h("p", { class: "hint" }, say("phone-refused-long")), refused) : null,
      state.picsRefused.length ? h("div", { class: "note warn" }, h("p", null, say("phone-photos-refused", { count: n(state.picsRefused.length) })), [...new Set(state.picsRefused.map((f) => f.map((x) => finding(x)).join(" ")))].map((t) => h("p", null, t))) : null,
      h("dl", { class: "facts" },
        fact(say("phone-notes-here"), String(state.waiting + state.refused + state.stuck)), fact(say("phone-photos-here"), `${state.photosLeft} / ${state.photosAll}`),
        fact(say("phone-whose"), state.me?.name ?? ""), r ? fact(say("phone-room"), h("span", null, `${mb(r.used)} / ${mb(r.quota)}`, h("small", { class: "block" }, `${say(r.kept ? "phone-room-kept" : "phone-room-may-go")}`))) : null,
        fact(say("phone-clock"), off === null ? (state.offset === null ? say("phone-clock-unknown") : say("phone-clock-good")) : offText(off))),
      off !== null ? h("p", { class: "hint" }, say("phone-clock-long")) : null,
      tight() ? h("p", { class: "note warn" }, say("phone-room-tight")) : null,
      h("section", null, h("h2", null, say("phone-file")), h("p", { class: "hint" }, say("phone-file-says")), h("div", { class: "pair" }, button("wide", say("phone-save"), () => save(false)), button("wide", say("phone-save-photos"), () => save(true)))),
      h("section", null, h("h2", null, say("phone-look")), choices(say("phone-look"), [["auto", say("phone-look-auto")], ["light", say("phone-look-light")], ["dark", say("phone-look-dark")]], theme as "auto", setTheme)),
      h("p", { class: "hint", lang: spoken() }, say("phone-version", { version: document.documentElement.dataset.core?.split("=").at(-1)?.slice(0, 8) ?? "" })),
    ],
    bar: [button("main", state.syncing ? say("phone-sending") : say("phone-send-now"), async () => { tell(say(await sync(true) ? "phone-sent" : "phone-not-sent")); })],
  };
}
