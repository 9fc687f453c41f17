// The phone page: the day at the trees, complete without signal.
import { load } from "./core";
import { append, button, h, icon, tell, words, type Child } from "./dom";
import { banners, here, status } from "./here";
import { port } from "./port";
import { callDue, day, delivering, incident, product, timers } from "./rest";
import { changed, coreIsThere, note, onChange, readOn, recount, reload, snap, state, took, type Snap } from "./state";
import * as store from "./store";
import { attend, exported, keepSyncing, later, room, sync } from "./sync";
import { notes, tree } from "./tree";
import { readNumber, say, since, span, speak, spoken, loadWords } from "./words";
import { fill, forget, go, href, type Screen } from "./view";
import { find, map, walk } from "./walk";
import { keepPhoto } from "./photo";
import { localTime, uuidOf, uuidv7 } from "./uuid";

type Theme = "auto" | "light" | "dark";
let theme: Theme = "auto";
let stage: "start" | "join" | "no-signal" | "ready" | "broken" = "start";
let broken = "";
const marks: Record<string, number> = {}; // ms from opening, for who measures

function route(): string[] { return location.hash.replace(/^#\/?/, "").split("/").filter(Boolean).map(decodeURIComponent); }

function screen(): Screen {
  const [a, b, c, d] = route();
  if (!state.core && !early.has(a ?? "walk")) return { title: "\u2026", body: [], up: href("walk") };
  switch (a) {
    case "tree":
      if (c === "port") return port(b, Number(d));
      return c === "notes" ? notes(b) : tree(b);
    case "find": return find();
    case "map": return map();
    case "timers": return timers();
    case "product": return product();
    case "incident": return incident();
    case "day": return day();
    case "notes": return notes("");
    case "here": return here(theme, wear);
  }
  return walk();
}

function wear(t: Theme): void {
  theme = t;
  document.documentElement.dataset.theme = t;
  void store.put("theme", t);
  changed();
}

async function turn(): Promise<void> {
  const to = spoken() === "en" ? "es" : "en";
  speak(to, state.pack?.units ?? "metric");
  await store.put("lang", to);
  shell();
  draw(true);
}

let main: HTMLElement;
let head: HTMLElement;
let bar: HTMLElement;
let top: HTMLElement;
let tabs: HTMLElement;
let tabbed = ""; // what the tabs show
let tape: HTMLElement; // how far the day is

// shell builds what stays while screens come and go.
function shell(): void {
  top = h("div", { class: "banners" });
  main = h("main", { id: "main", tabindex: "-1" });
  head = h("header", null);
  bar = h("div", { class: "bar" });
  tape = h("svg", { class: "tape-line", viewBox: "0 0 100 6", preserveAspectRatio: "none", role: "img" }, h("rect", { width: 100, height: 6, class: "tape-bg" }), h("rect", { width: 0, height: 6, class: "tape-done" }),
    Array.from({ length: 49 }, (_, i) => h("rect", { x: (i + 1) * 2 - 0.15, y: i % 5 === 4 ? 0 : 3, width: 0.3, height: 6, class: "tape-tick" })));
  tabbed = "";
  tabs = h("nav", { class: "tabs", "aria-label": say("phone-nav") });
  const said = document.getElementById("say") ?? h("div", { id: "say", class: "say", role: "status" });
  document.getElementById("app")!.replaceChildren(head, top, main, h("footer", null, said, bar, tabs));
}

function tab(name: string, label: string, pic: string, now: boolean, count = 0): Child {
  return h("a", { href: href(name), "aria-current": now ? "page" : null }, icon(pic), h("span", null, label), count ? h("b", { class: "count" }, String(count)) : null);
}

let shown = "";
// draw shows the screen of the address anew. Where a person was looking and
// what had the focus stays, unless they went elsewhere.
function draw(again = false): void {
  if (stage !== "ready") return waitingRoom();
  const at = location.hash || "#/walk";
  const same = at === shown && !again;
  const focus = same && document.activeElement instanceof HTMLElement ? [...main.querySelectorAll<HTMLElement>("a,button,input,[tabindex]"), ...bar.querySelectorAll<HTMLElement>("a,button")].indexOf(document.activeElement) : -1;
  const y = main.scrollTop;
  let s: Screen;
  forget();
  try {
    s = screen();
  } catch (e) {
    s = { title: "Sapward", body: [h("p", { class: "note warn" }, words(e))], up: href("walk") };
  }
  const [a] = route();
  const back = s.up ? (s.up === "back" ? button("icon plain", icon("back"), () => (history.length > 1 ? history.back() : go("walk")), { "aria-label": say("phone-back") }) : h("a", { class: "icon plain", href: s.up, "aria-label": say("phone-back") }, icon("back"))) : h("span", { class: "logo", "aria-hidden": "true" }, h("img", { src: document.querySelector<HTMLLinkElement>("link[rel=icon]")!.href, alt: "", width: 32, height: 32 }));
  const done = state.day!.trees.filter((t) => ["done", "skipped", "refused"].includes(t.stage)).length;
  const left = state.waiting + state.refused + state.stuck + state.photosLeft;
  head.replaceChildren();
  append(head, [h("div", { class: "head" }, back,
    h("a", { class: `status${left ? " left" : ""}`, href: href("here") }, h("span", { class: "dot", "aria-hidden": "true" }), h("span", null, status())),
    button("icon lang", spoken() === "en" ? "ES" : "EN", turn, { "aria-label": spoken() === "en" ? "ES: Espa\u00f1ol" : "EN: English", lang: spoken() === "en" ? "es" : "en" }),
    h("a", { class: "icon sos", href: href("incident"), "aria-label": say("phone-incident") }, "!")),
  tape]);
  tape.setAttribute("aria-label", say("phone-progress", { done: String(done), all: String(state.day!.trees.length) }));
  tape.querySelector(".tape-done")!.setAttribute("width", String((100 * done) / Math.max(1, state.day!.trees.length)));
  top.replaceChildren();
  append(top, banners());
  const old = main.querySelector("input#find") as HTMLInputElement | null;
  main.replaceChildren();
  append(main, [h("div", { class: "title" }, h("h1", { tabindex: "-1" }, s.title), s.sub ? h("p", { class: "sub" }, s.sub) : null), s.body]);
  bar.replaceChildren();
  append(bar, s.bar ?? []);
  bar.hidden = !s.bar?.some(Boolean);
  const now = [a, delivering().length, spoken()].join();
  if (now !== tabbed) {
    tabbed = now;
    tabs.replaceChildren();
    append(tabs, [tab("walk", say("phone-walk"), "walk", ["walk", "tree", "find", "map", undefined].includes(a)), tab("timers", say("phone-waiting"), "clock", a === "timers", delivering().length), tab("product", say("phone-product"), "can", a === "product"), tab("day", say("phone-day"), "day", ["day", "here", "notes"].includes(a))]);
  }
  document.title = `${s.title} \u00b7 Sapward`;
  if (same) {
    main.scrollTop = y;
    if (old) {
      const now = main.querySelector("input#find") as HTMLInputElement | null;
      if (now) { now.value = old.value; now.dispatchEvent(new Event("input")); }
    }
    if (focus >= 0) [...main.querySelectorAll<HTMLElement>("a,button,input,[tabindex]"), ...bar.querySelectorAll<HTMLElement>("a,button")][focus]?.focus({ preventScroll: true });
  } else {
    main.scrollTop = 0;
    if (shown) (main.querySelector("h1") as HTMLElement).focus({ preventScroll: true });
  }
  shown = at;
  fill();
}

// waitingRoom is what stands there without a day.
function waitingRoom(): void {
  const text: Record<string, [string, string]> = {
    start: ["Sapward", ""], join: [say("phone-join"), say(state.access === "revoked" ? "phone-access-revoked-long" : "phone-join-long")],
    "no-signal": [say("phone-no-day"), say("phone-no-day-long")], broken: [say("phone-broken"), broken],
  };
  const [title, long] = text[stage];
  head.replaceChildren();
  append(head, [h("div", { class: "head" }, h("span", { class: "logo" }), h("span", { class: "status" }, ""), button("icon lang", spoken() === "en" ? "ES" : "EN", turn, { "aria-label": spoken() === "en" ? "ES: Espa\u00f1ol" : "EN: English" }))]);
  top.replaceChildren();
  main.replaceChildren();
  append(main, [h("div", { class: "title" }, h("h1", { tabindex: "-1" }, title)), long ? h("p", null, long) : null]);
  bar.replaceChildren();
  tabs.replaceChildren();
  tabbed = "";
  bar.hidden = stage === "start";
  if (stage !== "start") append(bar, [button("main", say("phone-again"), () => location.reload())]);
}

function watchWorker(): void {
  if (!("serviceWorker" in navigator)) return;
  let had = navigator.serviceWorker.controller !== null;
  let again = false;
  navigator.serviceWorker.addEventListener("controllerchange", () => {
    if (had && !again) {
      again = true;
      location.reload();
    }
    had = true; // the first worker takes over a page that is new: no need to open it again
  });
  void navigator.serviceWorker.register("sw.js", { updateViaCache: "none" }).then((reg) => {
    const see = (): void => {
      if (reg.waiting && navigator.serviceWorker.controller) {
        state.update = reg.waiting;
        changed();
      }
    };
    see();
    reg.addEventListener("updatefound", () => reg.installing?.addEventListener("statechange", see));
    setInterval(() => { if (document.visibilityState === "visible") void reg.update().catch(() => undefined); }, 30 * 60_000);
    document.addEventListener("visibilitychange", () => { if (document.visibilityState === "visible") void reg.update().catch(() => undefined); });
  }, () => undefined);
}

async function start(): Promise<void> {
  const root = document.documentElement;
  const loading = load(root.dataset.core!); // beside everything else
  loading.catch(() => undefined);
  const [kept] = await Promise.all([store.open().then(store.all), loadWords(root.dataset.words!)]);
  const of = <T>(key: string): T | null => (kept.get(key) as T | undefined) ?? null;
  theme = of<Theme>("theme") ?? "auto";
  root.dataset.theme = theme;
  speak(of<string>("lang") ?? (navigator.language.startsWith("es") ? "es" : "en"), "metric");
  shell();
  watchWorker();
  state.me = of("me");
  state.pack = of("pack");
  state.offset = of<number>("offset");
  state.sentAt = of<string>("sent_at") ?? "";
  state.access = of<"" | "revoked">("access") ?? "";
  state.lost = of("lost");
  state.container = of<{ container: string; lot: string }>("container") ?? { container: "", lot: "" };
  marks.kept = performance.now();
  // The last picture of the day is shown while the core starts: the walk, the
  // map and first aid need nothing else.
  const last = of<Snap>("snap") ?? undefined;
  if (state.me && state.pack && last?.day === state.me.day && early.has(route()[0] ?? "walk")) {
    state.day = last.state;
    speak(spoken(), state.pack.units);
    await recount();
    stage = "ready";
    shell();
    draw(true);
    marks.seen = performance.now();
  } else {
    draw();
  }
  await loading;
  marks.core = performance.now();
  onChange(draw);
  if (!state.me || !state.pack) {
    try {
      await attend();
    } catch (e) {
      const status = (e as { status?: number }).status;
      stage = status === 401 ? "join" : status === undefined ? "no-signal" : "broken";
      broken = stage === "broken" ? words(e) : "";
      if (status === 401 && (e as { body?: { reason?: string } }).body?.reason === "revoked") state.access = "revoked";
      draw();
      return;
    }
  } else {
    await reload(last);
    marks.open = performance.now();
  }
  coreIsThere();
  speak(spoken(), state.pack!.units);
  if (stage !== "ready") {
    stage = "ready";
    shell();
  }
  draw();
  root.dataset.ready = "1";
  marks.ready = performance.now();
  void navigator.storage?.persist?.();
  void room().then(changed);
  keepSyncing();
  later(0);
  setInterval(() => {
    document.querySelectorAll<HTMLElement>("[data-since]").forEach((e) => { e.textContent = span(since(e.dataset.since!)); });
    callDue();
  }, 15_000);
  readOn().then(() => { marks.read = performance.now(); callDue(); }, (e: unknown) => tell(words(e), true));
  let snapTimer = 0;
  onChange(() => {
    snapTimer ||= window.setTimeout(() => {
      snapTimer = 0;
      void store.put("snap", snap());
    }, 300);
  });
}

// early are the screens that need no core.
const early = new Set(["walk", "find", "map", "incident"]);

window.addEventListener("hashchange", () => {
  document.querySelectorAll<HTMLDialogElement>("dialog[open]").forEach((d) => d.close());
  draw();
});
// what a test may reach for: a picture without a camera, a round of sending
Object.assign(window, { sapwardPage: { marks, took, exported, keepPhoto, note, readNumber, sync, state, uuidOf, uuidv7, localTime } });

start().catch((e: unknown) => {
  broken = words(e);
  if (stage === "ready") { // without a core: the walk, the map and first aid stay
    tell(say("phone-broken") + ": " + broken, true);
    return;
  }
  stage = "broken";
  try {
    shell();
    draw();
  } catch { /* nothing to draw on */ }
  tell(broken, true);
});
