import { button, h, type Child } from "./dom";
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

// cautions stand under what they are about, in short lines.
export function cautions(list: Caution[]): Child {
  if (!list.length) return null;
  return h("section", { class: "cautions", "aria-label": say("phone-take-care") }, h("h2", null, say("phone-take-care")),
    h("ul", null, list.map((c) => h("li", null, say(c.id, c.text ? { text: c.text } : {})))));
}

const mark: Record<string, string> = { refused: "\u00d7", open: "?", warning: "!", note: "i" };

// findings says what the core has to say, the strongest first.
export function findings(list: Finding[]): Child {
  if (!list.length) return null;
  return h("ul", { class: "findings" }, list.map((f) => {
    const { text, mend } = finding(f);
    const by = f.authority && f.severity === "refused" && has(`authority-${f.authority}`) ? say(`authority-${f.authority}`) : "";
    return h("li", { class: `f-${f.severity}` }, h("b", { class: "f-mark", "aria-hidden": "true" }, mark[f.severity] ?? "i"),
      h("span", null, text, mend ? ` ${mend}` : "", by ? h("span", { class: "by" }, by) : null));
  }));
}

// choices is a row of which one is pressed.
export function choices<T extends string>(label: string, list: [T, string][], now: T, pick: (v: T) => void): Child {
  return h("div", { class: "choices", role: "group", "aria-label": label },
    list.map(([v, text]) => button("choice", text, () => pick(v), { "aria-pressed": v === now ? "true" : "false" })));
}

export function fact(label: string, what: Child): Child { return h("div", { class: "fact" }, h("dt", null, label), h("dd", null, what)); }
