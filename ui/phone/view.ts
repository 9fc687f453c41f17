import { append, button, h, type Child } from "./dom";
import type { Caution, Finding, PackTree, TreeLine } from "./model";
import { state } from "./state";
import { finding, has, say } from "./words";

// A screen is what stands between the head and the thumb's bar.
export interface Screen { title: string; sub?: Child; body: Child[]; bar?: Child[]; up?: string }

export const href = (...parts: (string | number)[]): string => `#/${parts.map((p) => encodeURIComponent(String(p))).join("/")}`;
export function go(...parts: (string | number)[]): void { location.hash = href(...parts); }

export const packTree = (tag: string): PackTree | undefined => state.pack?.trees.find((t) => t.tree === tag);
export const lineOf = (tag: string): TreeLine | undefined => state.day?.trees.find((t) => t.tree === tag);
export const personName = (id?: string): string => state.pack?.people.find((p) => p.id === id)?.name ?? "";

let parts: (() => void)[] = [];

// lazily is a part of a screen that is made after the rest of it was painted.
// Until then it shows what stood in its place before.
export function lazily(key: string, make: () => Child): HTMLElement {
  const e = h("div", { class: "part", "data-part": key });
  const old = document.querySelector(`#main [data-part=${JSON.stringify(key)}]`);
  if (old) e.append(...old.childNodes);
  parts.push(() => {
    e.replaceChildren();
    append(e, [make()]);
  });
  return e;
}

// forget drops the parts of a screen that is gone; fill makes those of the one
// that stands, once it was painted.
export function forget(): void { parts = []; }
export function fill(): void {
  const mine = parts;
  if (!mine.length) return;
  const run = (): void => { if (parts === mine) { forget(); mine.forEach((f) => f()); } };
  if (document.visibilityState !== "visible") return run();
  requestAnimationFrame(() => setTimeout(run)); // after the frame is painted
}

const read = new Map<string, string>(); // which cautions were first shown where

// cautions stand at their step. Where they come up first they are open; at the
// next trees they fold to one line that opens at a touch.
export function cautions(list: Caution[], where = location.hash): Child {
  if (!list.length) return null;
  const lines = new Map<string, string[]>();
  for (const c of list) lines.set(c.id, [...(lines.get(c.id) ?? []), ...(c.text ? [c.text] : [])]);
  const texts = [...lines].map(([id, t]) => say(id, t.length ? { text: t.join(", ") } : {}));
  const key = [...lines.keys()].join();
  if (!read.has(key)) read.set(key, where);
  return h("details", { class: "cautions", open: read.get(key) === where }, h("summary", null, h("b", null, say("phone-take-care")), h("span", { class: "first-words", "aria-hidden": "true" }, texts[0])),
    h("ul", null, texts.map((t) => h("li", null, t))));
}

const mark: Record<string, string> = { refused: "\u00d7", open: "?", warning: "!", note: "i" };

// findings says what the core has to say, the strongest first.
export function findings(list: Finding[]): Child {
  if (!list.length) return null;
  return h("ul", { class: "findings" }, list.map((f) => {
    const text = finding(f, state.lastTree);
    const by = f.authority && f.severity === "refused" && has(`authority-${f.authority}`) ? say(`authority-${f.authority}`) : "";
    return h("li", { class: `f-${f.severity}` }, h("b", { class: "f-mark", "aria-hidden": "true" }, mark[f.severity] ?? "i"),
      h("span", null, text, by ? h("span", { class: "by" }, by) : null));
  }));
}

// choices is a row of which one is pressed.
export function choices<T extends string>(label: string, list: [T, string][], now: T, pick: (v: T) => void): Child {
  return h("div", { class: "choices", role: "group", "aria-label": label },
    list.map(([v, text]) => button("choice", text, () => pick(v), { "aria-pressed": v === now ? "true" : "false" })));
}

export function fact(label: string, what: Child): Child { return h("div", { class: "fact" }, h("dt", null, label), h("dd", null, what)); }
