import { button, h, icon, tell, type Child } from "./dom";
import { badge, shape, treeLook } from "./marks";
import type { PackTree, TreeLine } from "./model";
import { changed, state } from "./state";
import { field } from "./keys";
import { metres, ml, n, say } from "./words";
import { choices, go, href, lazily, packTree, personName, type Screen } from "./view";

let filter: "mine" | "all" | "waiting" | "open" | "" = "";

const isOpen = (l: TreeLine): boolean => !["done", "skipped", "refused"].includes(l.stage);
const mine = (l: TreeLine): boolean => l.person === state.me?.person;
function ordered(): TreeLine[] {
  const lines = [...state.day!.trees].sort((a, b) => a.order - b.order);
  return [...lines.filter(mine), ...lines.filter((l) => !mine(l))];
}

// nextTree is the next in the walk that still asks for somebody: first one's
// own, then those nobody was given.
export function nextTree(): TreeLine | undefined {
  const list = ordered().filter((l) => l.stage === "to-do" || l.stage === "under-way");
  return list.find(mine) ?? list.find((l) => !l.person) ?? list[0];
}

const atOnce = 10; // rows: what the tallest phone shows

export function walk(): Screen {
  const lines = ordered();
  const next = nextTree();
  if (!filter) filter = lines.some(mine) ? "mine" : "all";
  const shown = lines.filter((l) => filter === "all" || (filter === "mine" && mine(l)) || (filter === "waiting" && l.stage === "waiting") || (filter === "open" && isOpen(l)));
  const body: Child[] = [];
  if (next) {
    const p = packTree(next.tree)!;
    const far = state.position ? apart(p) : null;
    body.push(h("a", { class: "hero", href: href("tree", next.tree) },
      h("span", { class: "hero-tag" }, next.tree), h("span", { class: "hero-code" }, p.code),
      h("span", { class: "hero-sub" }, [next.ports ? say("phone-ports-n", { ports: n(next.ports) }) : "", ml(next.planned_ul), far !== null ? say("phone-away", { distance: metres(far) }) : ""].filter(Boolean).join(" \u00b7 ")),
      p.pilot ? h("b", { class: "tag" }, say("phone-pilot")) : null));
  } else {
    body.push(h("p", { class: "note good" }, say("phone-all-walked")));
  }
  body.push(choices<"mine" | "all" | "waiting" | "open">(say("phone-show"), [["mine", say("phone-mine")], ["open", say("phone-open")], ["waiting", say("phone-waiting")], ["all", say("phone-all")]], filter, (f) => { filter = f; changed(); }));
  const first = shown.slice(0, atOnce);
  body.push(shown.length ? h("ul", { class: "rows" }, first.map(row)) : h("p", { class: "hint" }, say("phone-none-here")));
  if (shown.length > atOnce) body.push(lazily(`walk ${filter}`, () => h("ul", { class: "rows more" }, shown.slice(atOnce).map(row))));
  return {
    title: next ? say("phone-next") : say("phone-walk"), sub: [state.pack!.estate, state.pack!.block].filter(Boolean).join(" \u00b7 "), body,
    bar: [h("a", { class: "half", href: href("find") }, icon("find"), say("phone-find")), h("a", { class: "half", href: href("map") }, icon("map"), say("phone-map")),
      next ? h("a", { class: "main", href: href("tree", next.tree) }, say("phone-go-to", { tree: next.tree })) : null],
  };
}

function row(l: TreeLine): Child {
  const p = packTree(l.tree)!;
  const who = l.person && !mine(l) ? personName(l.person) : "";
  return h("li", null, h("a", { href: href("tree", l.tree) }, badge(treeLook(l.stage, l.leaking && isOpen(l))),
    h("span", { class: "grow" }, h("b", null, l.tree), h("small", null, [say(`phone-tree-${l.stage}`), who, p.pilot ? say("phone-pilot") : "", l.conflicts ? say("phone-differ") : ""].filter(Boolean).join(" \u00b7 "))),
    h("span", { class: "end" }, l.ports ? `${l.closed}/${l.ports}` : "\u2013")));
}

// apart is the distance to a tree in m, from positions on a round earth.
export function apart(p: PackTree): number | null {
  const at = state.position;
  if (!at || p.lat === undefined || p.lon === undefined) return null;
  const rad = Math.PI / 180;
  const a = Math.sin(((p.lat - at.lat) * rad) / 2) ** 2 + Math.cos(p.lat * rad) * Math.cos(at.lat * rad) * Math.sin(((p.lon - at.lon) * rad) / 2) ** 2;
  return 2 * 6371008.8 * Math.asin(Math.min(1, Math.sqrt(a)));
}

let watching = 0;
// locate asks where the phone is, anew each time; without leave everything else still works.
export function locate(): void {
  if (!navigator.geolocation) { tell(say("phone-no-position"), true); return; }
  if (watching) navigator.geolocation.clearWatch(watching); // asked again: a new fix, should the old watch have gone to sleep
  watching = navigator.geolocation.watchPosition((g) => {
    state.position = { lat: g.coords.latitude, lon: g.coords.longitude, accuracy: g.coords.accuracy };
    if (/^#\/(find|map|walk)|^$/.test(location.hash) && !(document.activeElement instanceof HTMLInputElement)) changed();
  }, () => {
    navigator.geolocation.clearWatch(watching);
    watching = 0;
    tell(say("phone-no-position"), true);
  }, { enableHighAccuracy: true, maximumAge: 5000 });
}
const wide = 15; // m: a position worse than this does not tell trees apart (program default)
export function positionLine(): Child {
  const at = state.position;
  return at ? h("p", { class: at.accuracy > wide ? "note warn" : "hint" }, say(at.accuracy > wide ? "phone-position-wide" : "phone-position", { accuracy: metres(at.accuracy) })) : null;
}

// match finds trees by tag, human code or the opaque key of a tag's QR code.
export function match(text: string): PackTree[] {
  const t = text.trim().toLowerCase().split("/").filter(Boolean).at(-1) ?? "";
  if (!t) return [];
  const bare = (s: string): string => s.toLowerCase().replace(/[^a-z0-9]/g, "");
  const all = state.pack!.trees;
  const whole = all.filter((p) => p.key.toLowerCase() === t || bare(p.code) === bare(t) || p.tree.toLowerCase() === t);
  return whole.length ? whole : all.filter((p) => bare(p.tree).includes(bare(t)) || bare(p.code).includes(bare(t)));
}

interface Detector { detect(s: HTMLVideoElement): Promise<{ rawValue: string }[]> }
declare const BarcodeDetector: undefined | (new (o: { formats: string[] }) => Detector);

export function find(): Screen {
  const f = field(say("phone-tag-or-code"), { id: "find" });
  const out = h("div", { "aria-live": "polite" });
  const list = (trees: PackTree[]): Child => h("ul", { class: "rows" }, trees.slice(0, 12).map((p) => row(state.day!.trees.find((l) => l.tree === p.tree)!)));
  const look = (): void => {
    const got = match(f.input.value);
    out.replaceChildren(f.input.value.trim() === "" ? near() : got.length ? (list(got) as Node) : h("p", { class: "note" }, say("phone-no-match")));
  };
  const near = (): Node => {
    const trees = state.pack!.trees.map((p) => ({ p, d: apart(p) })).filter((x): x is { p: PackTree; d: number } => x.d !== null).sort((a, b) => a.d - b.d).slice(0, 6);
    return h("div", null, positionLine(), trees.length ? h("ul", { class: "rows" }, trees.map(({ p, d }) => h("li", null, h("a", { href: href("tree", p.tree) }, badge(treeLook(state.day!.trees.find((l) => l.tree === p.tree)!.stage)), h("span", { class: "grow" }, h("b", null, p.tree), h("small", null, p.code)), h("span", { class: "end" }, metres(d)))))) : null);
  };
  f.input.addEventListener("input", look);
  f.input.addEventListener("keydown", (e) => {
    const got = match(f.input.value);
    if (e.key === "Enter" && got.length) go("tree", got[0].tree);
  });
  look();
  return {
    title: say("phone-find"), up: href("walk"), body: [f.node, out],
    bar: [button("half", [icon("here"), say("phone-nearest")], () => locate()), typeof BarcodeDetector === "undefined" ? null : button("main", [icon("camera"), say("phone-scan")], scan)],
  };
}

async function scan(): Promise<void> {
  const d = h("dialog", { class: "sheet scan", "aria-label": say("phone-scan") }) as HTMLDialogElement;
  const video = h("video", { playsinline: true, muted: true }) as HTMLVideoElement;
  let stream: MediaStream;
  try {
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
  } catch {
    tell(say("phone-no-camera"), true);
    return;
  }
  let on = true;
  d.append(video, button("wide", say("phone-close"), () => d.close()));
  d.addEventListener("close", () => { on = false; stream.getTracks().forEach((t) => t.stop()); d.remove(); });
  document.body.append(d);
  d.showModal();
  video.srcObject = stream;
  await video.play();
  const detector = new BarcodeDetector!({ formats: ["qr_code"] });
  while (on) {
    for (const c of await detector.detect(video).catch(() => [])) {
      const got = match(c.rawValue);
      if (got.length === 1) {
        d.close();
        navigator.vibrate?.(60);
        go("tree", got[0].tree);
        return;
      }
      tell(say("phone-no-match"), true);
    }
    await new Promise((r) => setTimeout(r, 200));
  }
}

let zoom = 0; // 0: near the next tree; 1: all of it
let centre: [number, number] | null = null;
let picked = "";

// map draws the trees as they stand; a touch picks the nearest one. Buttons
// zoom; the list beside does the same without it.
export function map(): Screen {
  const trees = state.pack!.trees;
  const grid = !trees.every((p) => p.lat !== undefined && p.lon !== undefined) && trees.some((p) => p.x_m !== undefined);
  const placed = trees.filter((p) => (grid ? p.x_m !== undefined && p.y_m !== undefined : p.lat !== undefined && p.lon !== undefined));
  if (!placed.length) return { title: say("phone-map"), up: href("walk"), body: [h("p", null, say("phone-no-places"))] };
  const lat0 = placed[0].lat ?? 0;
  const k = Math.cos((lat0 * Math.PI) / 180);
  const xy = (p: { lat?: number; lon?: number; x_m?: number; y_m?: number }): [number, number] => (grid ? [p.x_m!, -p.y_m!] : [p.lon! * 111320 * k, -p.lat! * 111320]);
  const at = placed.map(xy);
  const [x0, x1] = [Math.min(...at.map((a) => a[0])), Math.max(...at.map((a) => a[0]))];
  const [y0, y1] = [Math.min(...at.map((a) => a[1])), Math.max(...at.map((a) => a[1]))];
  const size = Math.max(x1 - x0, y1 - y0, 20) * 1.12;
  const now = picked || nextTree()?.tree || "";
  const i = placed.findIndex((p) => p.tree === now);
  if (!zoom) {
    zoom = 1;
    if (i >= 0 && placed.length > 14) {
      const far = at.map((a) => Math.hypot(a[0] - at[i][0], a[1] - at[i][1])).sort((a, b) => a - b)[12];
      zoom = Math.max(1, size / Math.max(far * 2.6, 10));
      centre = zoom > 1 ? at[i] : null;
    }
  }
  const w = size / zoom;
  const near = i < 0 ? 0 : Math.min(...at.filter((_, k) => k !== i).map((a) => Math.hypot(a[0] - at[i][0], a[1] - at[i][1])));
  const [cx, cy] = centre ?? [(x0 + x1) / 2, (y0 + y1) / 2];
  const r = (w / 300) * 7;
  const you = state.position && !grid ? xy(state.position) : null;
  const bar10 = [1, 2, 5, 10, 20, 50, 100, 200, 500].filter((m) => m < w / 3).at(-1) ?? 1;
  const svg = h("svg", { viewBox: `${cx - w / 2} ${cy - w / 2} ${w} ${w}`, class: "map", role: "img", "aria-label": say("phone-map-says", { trees: n(placed.length) }) },
    you ? [h("circle", { cx: you[0], cy: you[1], r: Math.min(state.position!.accuracy, w), class: "you-wide" }), h("circle", { cx: you[0], cy: you[1], r, class: "you" })] : null,
    placed.map((p, i) => {
      const l = state.day!.trees.find((x) => x.tree === p.tree)!;
      return h("g", { transform: `translate(${at[i][0]} ${at[i][1]})` }, p.tree === now ? h("circle", { r: r * 2, class: "map-now" }) : null, ...shape(treeLook(l.stage, l.leaking && isOpen(l)), r),
        w < near * 6 || p.tree === now ? h("text", { y: -r * 2.4, "font-size": r * 2, "text-anchor": "middle", class: "map-tag" }, p.tree) : null);
    }),
    h("g", { transform: `translate(${cx - w * 0.46} ${cy + w * 0.46})` }, h("path", { d: `M0 0h${bar10}`, class: "bar10", "stroke-width": w / 150 }), h("text", { x: 0, y: -w / 60, "font-size": w / 26, class: "map-tag" }, `${bar10} m`)));
  svg.addEventListener("click", (e) => {
    const box = svg.getBoundingClientRect();
    const m = e as MouseEvent;
    const x = cx - w / 2 + ((m.clientX - box.left) / box.width) * w;
    const y = cy - w / 2 + ((m.clientY - box.top) / box.height) * w;
    let best = 0;
    at.forEach((a, i) => { if (Math.hypot(a[0] - x, a[1] - y) < Math.hypot(at[best][0] - x, at[best][1] - y)) best = i; });
    picked = placed[best].tree;
    if (zoom > 1) centre = at[best];
    changed();
  });
  const step = (f: number): void => {
    zoom = Math.min(Math.max(16, size / 20), Math.max(1, zoom * f));
    centre = zoom === 1 ? null : centre ?? (i >= 0 ? at[i] : null);
    changed();
  };
  const l = state.day!.trees.find((x) => x.tree === now);
  return {
    title: say("phone-map"), up: href("walk"), body: [positionLine(), svg,
      h("div", { class: "pair three" }, button("wide", "+", () => step(2), { "aria-label": say("phone-closer") }), button("wide", "\u2212", () => step(0.5), { "aria-label": say("phone-farther") }), button("wide", icon("here"), () => locate(), { "aria-label": say("phone-where-am-i") })),
      l ? h("ul", { class: "rows" }, row(l)) : null],
    bar: now ? [h("a", { class: "main", href: href("tree", now) }, say("phone-go-to", { tree: now }))] : [],
  };
}
