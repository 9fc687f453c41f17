import { h } from "./dom";
import { lookOf, shape } from "./marks";
import type { Port, Tree } from "./model";
import { state } from "./state";
import { length, say } from "./words";
import { href, go } from "./view";

const R = 104;
function at(azimuth: number, r: number): [number, number] {
  const a = (azimuth * Math.PI) / 180;
  return [Math.sin(a) * r, -Math.cos(a) * r];
}

// ring draws the trunk from above, north up: ports to tap with their tape
// distance from the mark, the mark on the yellow tape, old holes inside.
export function ring(t: Tree, stem: string, now = 0): HTMLElement {
  const ports = t.ports.filter((p) => (p.stem ?? "") === stem && !p.where.startsWith("limb"));
  const mark = state.pack!.request.MarkAzimuthDeg;
  const r = Math.max(11, Math.min(25, (Math.PI * R) / Math.max(ports.length, 1) - 3));
  const label = (p: Port): HTMLElement => {
    const [x, y] = at(p.azimuth_deg, R - r - 16);
    return h("text", { x: x.toFixed(1), y: (y + 4).toFixed(1), class: "along", "text-anchor": "middle" }, length(p.along_girth_cm).replace(/ .*/, ""));
  };
  const [nx, ny] = at(mark, R + 33);
  const old = (state.pack!.request.Wounds ?? []).filter((w) => w.Tree === t.tree && (!stem || !w.Stem || w.Stem === stem));
  return h("svg", { viewBox: "-150 -150 300 300", class: "ring", role: "group", "aria-label": say("phone-ring") },
    h("circle", { r: R + 5, class: "tape" }), h("circle", { r: R - 4, class: "bark" }), h("circle", { r: R - 12, class: "wood" }),
    [0.72, 0.44, 0.2].map((k) => h("circle", { r: ((R - 12) * k).toFixed(1), class: "year" })),
    Array.from({ length: 60 }, (_, i) => {
      const [a, b] = at(mark + i * 6, R + 5);
      const [c, d] = at(mark + i * 6, R + (i % 5 ? 1 : -2));
      return h("line", { x1: a.toFixed(1), y1: b.toFixed(1), x2: c.toFixed(1), y2: d.toFixed(1), class: "tick" });
    }),
    h("g", { class: "north" }, h("path", { d: "M0 -146l6 14h-12z" })),
    h("circle", { cx: nx.toFixed(1), cy: ny.toFixed(1), r: 9, class: "mark" }), h("text", { x: nx.toFixed(1), y: (ny + 4.5).toFixed(1), class: "mark-0", "text-anchor": "middle" }, "0"),
    old.map((w) => {
      const [x, y] = at(w.AzimuthDeg, R - 12);
      return h("path", { class: w.Closed ? "old shut" : "old", d: `M${(x - 5).toFixed(1)} ${(y - 5).toFixed(1)}l10 10M${(x + 5).toFixed(1)} ${(y - 5).toFixed(1)}l-10 10` });
    }),
    h("text", { y: -4, class: "mid", "text-anchor": "middle" }, String(ports.length)), h("text", { y: 15, class: "mid-small", "text-anchor": "middle" }, say("phone-ports")),
    ports.map(label),
    ports.map((p) => {
      const [x, y] = at(p.azimuth_deg, R);
      const look = lookOf(p);
      const open = (): void => go("tree", t.tree, "port", p.n);
      return h("g", {
        class: `port${p.n === now ? " now" : ""}`, transform: `translate(${x.toFixed(1)} ${y.toFixed(1)})`, role: "link", tabindex: 0, "data-href": href("tree", t.tree, "port", p.n),
        "aria-label": say("phone-port-is", { port: String(p.n), along: length(p.along_girth_cm), state_by: `phone-port-${look}` }),
        onclick: open, onkeydown: (e: KeyboardEvent) => { if (e.key === "Enter" || e.key === " ") { e.preventDefault(); open(); } },
      }, p.n === now ? h("circle", { r: r + 4, class: "ring-now" }) : null, h("circle", { r: r, class: "under" }), ...shape(look, r * 0.92),
      h("text", { y: 6, "text-anchor": "middle", class: `in-${look}` }, String(p.n)));
    }));
}
