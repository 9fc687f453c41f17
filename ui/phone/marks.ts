import { h } from "./dom";

// A state is told by shape first and colour second: an open ring is planned, a
// cross marked, a dot drilled, a square set, a half square loaded, a drop
// delivering, a full drop read, a full disc with a tick closed, a crossed disc
// given up, a diamond leaking.
export type Look = "planned" | "marked" | "drilled" | "set" | "loaded" | "delivering" | "delivered" | "closed" | "given-up" | "leaking" | "refused";

export function lookOf(p: { stage: string; given_up?: string; leaking: boolean; refused: boolean }): Look {
  if (p.leaking && !["sealed", "pulled", "left-in"].includes(p.stage)) return "leaking";
  if (p.given_up) return "given-up";
  if (["sealed", "pulled", "left-in"].includes(p.stage)) return "closed";
  return p.stage as Look;
}

// shape draws a state's outline about the origin, r wide; what is written in
// it goes on top.
export function shape(look: Look, r: number): HTMLElement[] {
  const at = (k: number): string => (k * r).toFixed(1);
  const drop = `M0 ${at(-1.1)}C${at(0.55)} ${at(-0.45)} ${at(0.95)} ${at(-0.1)} ${at(0.95)} ${at(0.2)}A${at(0.95)} ${at(0.85)} 0 1 1 ${at(-0.95)} ${at(0.2)}C${at(-0.95)} ${at(-0.1)} ${at(-0.55)} ${at(-0.45)} 0 ${at(-1.1)}Z`;
  const disc = (c: string): HTMLElement => h("circle", { r: at(0.95), class: c });
  const square = (c: string): HTMLElement => h("rect", { x: at(-0.9), y: at(-0.9), width: at(1.8), height: at(1.8), rx: at(0.15), class: c });
  switch (look) {
    case "planned": return [disc("s-open dash")];
    case "marked": return [disc("s-open"), h("path", { d: `M0 ${at(-1.25)}V${at(-0.7)}M0 ${at(1.25)}V${at(0.7)}M${at(-1.25)} 0H${at(-0.7)}M${at(1.25)} 0H${at(0.7)}`, class: "s-line" })];
    case "drilled": return [disc("s-open"), h("circle", { r: at(0.72), class: "s-ring" })];
    case "set": return [square("s-open")];
    case "loaded": return [square("s-wait"), h("path", { d: `M${at(-0.9)} ${at(0.45)}H${at(0.9)}`, class: "s-line" })];
    case "delivering": return [h("path", { d: drop, class: "s-wait" })];
    case "delivered": return [h("path", { d: drop, class: "s-done" })];
    case "closed": return [disc("s-done")];
    case "given-up": return [disc("s-off"), h("path", { d: `M${at(-0.67)} ${at(0.67)}L${at(0.67)} ${at(-0.67)}`, class: "s-line" })];
    case "refused": return [disc("s-off")];
    case "leaking": return [h("path", { d: `M0 ${at(-1.2)}L${at(1.2)} 0L0 ${at(1.2)}L${at(-1.2)} 0Z`, class: "s-warn" })];
  }
}

const ofTree: Record<string, Look> = { "to-do": "planned", "under-way": "drilled", waiting: "delivering", done: "closed", skipped: "given-up", refused: "refused" };
export const treeLook = (stage: string, leaking = false): Look => (leaking ? "leaking" : ofTree[stage] ?? "planned");

export function badge(look: Look, inside: string | number = ""): HTMLElement {
  const tick = look === "closed" && inside === "";
  return h("svg", { viewBox: "-16 -16 32 32", class: "badge", "aria-hidden": "true" }, ...shape(look, 11),
    tick ? h("path", { d: "M-5 0l3.500 4L6-4", class: "s-tick" }) : null,
    inside === "" ? null : h("text", { y: 5, "text-anchor": "middle", class: `in-${look}` }, String(inside)));
}
