import { core } from "./core";
import { button, h, icon, sheet, tell, type Child } from "./dom";
import { field, keys } from "./keys";
import { badge, lookOf } from "./marks";
import type { Event, Finding, Port, Tree } from "./model";
import { note, state } from "./state";
import { clock, finding, length, ml, n, readNumber, say, since, span } from "./words";
import { cautions, choices, fact, findings, go, href, lazily, type Screen } from "./view";
import { askContainer, loadOf, withContainer } from "./container";
import { alive, ends, reasons, slip, spot, writeNote } from "./tree";
import { ring } from "./ring";

const noted = (kind: string): void => tell(say(`phone-noted-${kind}`, { ports: n(1) }));

// put notes one thing about a port, after asking the core.
async function put(e: Event): Promise<boolean> {
  const against = core.may([e]);
  if (against.length) {
    tell(against.map((f) => finding(f)).join(" "), true);
    return false;
  }
  await note([e]);
  noted(e.kind);
  return true;
}

export function port(tag: string, number: number): Screen {
  const t = core.tree(tag);
  const p = t.ports.find((x) => x.n === number);
  if (!p) return { title: tag, body: [h("p", null, say("phone-no-port"))], up: href("tree", tag) };
  state.lastTree = tag;
  const limb = p.where.startsWith("limb");
  const of = (kind: string, more: Partial<Event> = {}): Event => ({ kind, tree: tag, port: number, ...more });
  const next = nextStep(p);
  const about: Event | null = next ? of(next === "read" ? "begin" : next, next === "load" ? { volume_ul: p.planned_ul } : {}) : null;
  const j = about ? core.judge(about) : null;
  const order = t.ports.filter(alive);
  const after = order[(order.findIndex((x) => x.n === number) + 1) % Math.max(order.length, 1)];
  const body: Child[] = [
    h("p", { class: "state" }, badge(lookOf(p), p.n), h("span", null, say(`phone-port-${lookOf(p)}`), p.given_up ? `: ${p.given_up}` : ""), p.moved_place ? h("b", { class: "tag" }, say("phone-moved-place")) : null),
    h("dl", { class: "facts" },
      limb ? fact(say("phone-limb"), p.where.slice(5)) : fact(say("phone-from-mark"), h("span", null, h("strong", null, length(p.along_girth_cm)), spot(t, p) ? h("small", { class: "block" }, spot(t, p)) : null)),
      fact(say("phone-height"), length(p.height_cm)),
      fact(say("phone-depth"), p.depth_mm === null ? say("phone-not-on-card") : `${p.depth_mm} mm`),
      p.loaded_ul ? fact(say("phone-loaded"), ml(p.loaded_ul)) : fact(say("phone-planned"), ml(p.planned_ul)),
      p.read ? fact(say("phone-remains"), ml(p.left_ul)) : p.stage === "delivered" ? fact(say("phone-remains"), say("phone-not-read")) : null,
      p.begun ? fact(say("phone-since"), h("span", { "data-since": p.begun }, p.stage === "delivering" ? span(since(p.begun)) : clock(p.begun))) : null,
      p.lost_ul || !p.lost_read ? fact(say("phone-leaked"), p.lost_read ? ml(p.lost_ul) : say("phone-not-measured")) : null,
      p.containers?.length ? fact(say("phone-can"), p.containers.join(", ")) : null),
    next === "load" ? h("div", { class: "with" }, h("span", null, state.container.container ? say("phone-from-can", { can: [state.container.container, state.container.lot].filter(Boolean).join(" / ") }) : say("phone-no-can")), button("plain slim", say("phone-change"), () => askContainer())) : null,
    j ? findings(j.mind.filter((f) => next !== "read" || f.severity === "refused")) : null,
    j ? cautions(j.cautions) : null,
    limb ? null : h("figure", { class: "ring-box small" }, lazily(`port ${tag} ${p.stem ?? ""}`, () => ring(t, p.stem ?? "", number))),
  ];
  if (p.read && p.left_ul > 0 && !["sealed", "pulled", "left-in"].includes(p.stage)) body.splice(1, 0, moves(t, p));
  body.push(button("wide", [icon("more"), say("phone-more")], () => more(t, p)));
  const bar: Child[] = [];
  if (next === "read") bar.push(button("main", say("phone-read"), () => read(t, p)));
  else if (next === "load") bar.push(button("main", say("phone-do-load", { volume: ml(p.planned_ul) }), () => withContainer(async () => { await put(of("load", { volume_ul: p.planned_ul, ...loadOf() })); })));
  else if (next === "end") for (const k of ends()) bar.push(button(ends().length > 1 ? "main half" : "main", say(`phone-do-${k}`), () => put(of(k))));
  else if (next) bar.push(button("main", say(`phone-do-${next}`), () => put(of(next))));
  else if (after && after.n !== number) bar.push(h("a", { class: "main", href: href("tree", tag, "port", after.n) }, say("phone-next-port", { port: String(after.n) })));
  else bar.push(h("a", { class: "main", href: href("tree", tag) }, say("phone-to-tree")));
  if (next && after && after.n !== number) bar.unshift(h("a", { class: "half", href: href("tree", tag, "port", after.n), "aria-label": say("phone-next-port", { port: String(after.n) }) }, icon("next"), String(after.n)));
  return { title: say("phone-port-of", { port: String(number) }), sub: say("phone-tree", { tree: tag }), up: href("tree", tag), body, bar };
}

function nextStep(p: Port): string {
  if (p.given_up) return p.loaded_ul > 0 && !p.read ? "read" : "";
  switch (p.stage) {
    case "planned": return "mark";
    case "marked": return "drill";
    case "drilled": return "set";
    case "set": return "load";
    case "loaded": return "begin";
    case "delivering": return "read";
    case "delivered": return "seal";
    case "sealed": return "end";
  }
  return "";
}

// read asks what remains. Nothing is filled in; leaving stores nothing; empty
// and not read are choices of their own.
export function read(t: Tree, p: Port): void {
  let v: number | "unclear" | null = null;
  sheet(say("phone-remains-q"), (close) => {
    const answer = h("div", { class: "answer", "aria-live": "polite" });
    const end = async (e: Event): Promise<void> => {
      if (await put(e)) close();
    };
    const at = (left?: number): Event => ({ kind: "read", tree: t.tree, port: p.n, left_ul: left });
    const keep = button("main", "", () => end(at(Math.round(Number(v) * 1000))));
    const pad = keys("mL", (x) => {
      v = x;
      const ok = typeof v === "number";
      const against = ok ? core.judge(at(Math.round(Number(v) * 1000))).against : [];
      keep.disabled = !ok || against.length > 0;
      keep.textContent = ok ? say("phone-note-remains", { left: ml(Math.round(Number(v) * 1000)) }) : say("phone-type-remains");
      const lines = against.length ? (findings(against) as Node) : ok ? h("p", { class: "hint" }, say("phone-gone", { gone: ml(p.loaded_ul - Math.round(Number(v) * 1000)), loaded: ml(p.loaded_ul) })) : h("p", { class: "hint" }, say("phone-loaded-was", { loaded: ml(p.loaded_ul) }));
      answer.replaceChildren(lines);
    }, { label: say("phone-remains-q") });
    return [h("p", { class: "hint" }, say("phone-port-of-tree", { port: String(p.n), tree: t.tree })), pad.node, answer,
      h("div", { class: "foot-stick" }, h("div", { class: "pair" }, button("wide", say("phone-empty"), () => end(at(0))), button("wide", say("phone-not-read"), () => end(at()))), keep)];
  });
}

// moves says where what is left may go, or that it must not.
function moves(t: Tree, p: Port): Child {
  const g = core.goals(t.tree, p.n);
  if (!g.goals.length) return h("p", { class: "note" }, say(g.why));
  return h("section", { class: "moves" }, h("h2", null, say("phone-move", { left: ml(p.left_ul) })), h("p", { class: "hint" }, say("phone-move-or-keep")),
    h("div", { class: "stack" }, g.goals.slice(0, 6).map((x) => button("wide", say("phone-move-to", { volume: ml(Math.min(x.volume_ul, p.left_ul)), port: String(x.port) }),
      () => put({ kind: "move", tree: t.tree, port: p.n, to: x.port, volume_ul: Math.min(x.volume_ul, p.left_ul) })))));
}

function more(t: Tree, p: Port): void {
  const shut = ["sealed", "pulled", "left-in"].includes(p.stage);
  const last = state.own.filter((e) => e.tree === t.tree && e.port === p.n && e.kind !== "void" && !state.own.some((v) => v.kind === "void" && v.of === e.id)).at(-1);
  sheet(say("phone-port-of-tree", { port: String(p.n), tree: t.tree }), (close) => {
    const then = (f: () => void) => (): void => { close(); f(); };
    const can = p.stage !== "planned" && p.stage !== "marked";
    return [h("div", { class: "stack" },
      !shut && p.loaded_ul > 0 ? button("wide", say("phone-leaks"), then(() => leak(t, p))) : null,
      !shut && ["delivering", "loaded"].includes(p.stage) ? button("wide", say("phone-refuses"), async () => { if (await put({ kind: "refuse", tree: t.tree, port: p.n })) { close(); } }) : null,
      !shut ? button("wide", say("phone-drilled-else"), then(() => elsewhere(t, p, false))) : null,
      can && !p.given_up && !shut ? button("wide", say("phone-give-up"), then(() => reasons(say("phone-give-up"), ["phone-give-up-rot", "phone-give-up-split", "phone-give-up-metal", "phone-give-up-leak"], async (reason) => { await put({ kind: "give-up", tree: t.tree, port: p.n, reason }); }))) : null,
      (p.given_up || p.refused || p.leaking) && !p.where.startsWith("limb") ? button("wide", say("phone-hole"), then(() => elsewhere(t, p, true))) : null,
      p.loaded_ul > 0 && !p.read ? button("wide", say("phone-remains-q"), then(() => read(t, p))) : null,
      !p.loaded_ul && can && !p.given_up ? button("wide", say("phone-load-other"), then(() => loadOther(t, p))) : null,
      button("wide", say("phone-note"), then(() => writeNote(t.tree, p.n))),
      last ? button("wide grave", `${say("phone-slip")}: ${say(`phone-kind-${last.kind}`)}, ${clock(last.at!)}`, then(() => slip(last))) : null)];
  });
}

function leak(t: Tree, p: Port): void {
  let v: number | "unclear" | null = null;
  sheet(say("phone-leaks"), (close) => {
    const j = core.judge({ kind: "leak", tree: t.tree, port: p.n });
    const end = async (lost?: number): Promise<void> => {
      if (await put({ kind: "leak", tree: t.tree, port: p.n, lost_ul: lost })) close();
    };
    const keep = button("main", "", () => end(Math.round(Number(v) * 1000)));
    return [h("p", null, say("phone-leak-counts")), keys("mL", (x) => {
      v = x;
      keep.disabled = typeof v !== "number";
      keep.textContent = typeof v === "number" ? say("phone-note-leak", { lost: ml(Math.round(v * 1000)) }) : say("phone-type-leak");
    }, { label: say("phone-leaks") }).node, h("div", { class: "foot-stick" }, button("wide", say("phone-not-measured-do"), () => end()), keep), cautions(j.cautions)];
  });
}

function loadOther(t: Tree, p: Port): void {
  let v: number | "unclear" | null = null;
  sheet(say("phone-load-other"), (close) => {
    const answer = h("div", { class: "answer", "aria-live": "polite" });
    const of = (): Event => ({ kind: "load", tree: t.tree, port: p.n, volume_ul: Math.round(Number(v) * 1000), ...loadOf() });
    const keep = button("main", "", () => withContainer(async () => { if (await put(of())) close(); }));
    return [keys("mL", (x) => {
      v = x;
      const ok = typeof v === "number" && v > 0;
      const against: Finding[] = ok ? core.judge(of()).against : [];
      keep.disabled = !ok || against.length > 0;
      keep.textContent = ok ? say("phone-do-load", { volume: ml(Math.round(Number(v) * 1000)) }) : say("phone-planned-was", { planned: ml(p.planned_ul) });
      answer.replaceChildren(...(against.length ? [findings(against) as Node] : []));
    }, { label: say("phone-load-other") }).node, answer, h("div", { class: "foot-stick" }, keep)];
  });
}

// elsewhere takes where a hole really is, or asks for another hole in place of
// one that failed. The core says yes, or why not and where next.
function elsewhere(t: Tree, p: Port, instead: boolean): void {
  const us = state.pack!.units === "us";
  let unit = us ? "in" : "cm";
  sheet(say(instead ? "phone-hole" : "phone-drilled-else"), (close) => {
    const along = field(say("phone-from-mark"), { mode: "decimal" });
    const height = field(say("phone-height"), { mode: "decimal" });
    const depth = instead ? null : field(`${say("phone-depth")} (mm)`, { mode: "decimal" });
    const bit = instead ? null : field(`${say("phone-bit")} (mm)`, { mode: "decimal" });
    const slide = h("input", { type: "range", min: 0, max: Math.max(1, Math.round(t.girth_at_ports_cm * 10)), step: 5, "aria-label": say("phone-from-mark") }) as HTMLInputElement;
    const answer = h("div", { class: "answer", "aria-live": "polite" });
    const mm = (f: { input: HTMLInputElement } | null, k: number): number | undefined | "unclear" => {
      if (!f) return undefined;
      const v = readNumber(f.input.value);
      return v === null ? undefined : v === "unclear" ? v : Math.round(v * k);
    };
    const k = (): number => (unit === "in" ? 25.4 : 10);
    const event = (): Event | null => {
      const a = mm(along, k());
      const hh = mm(height, k());
      const d = mm(depth, 1);
      const b = mm(bit, 1000);
      if (a === "unclear" || hh === "unclear" || d === "unclear" || b === "unclear") return null;
      if (instead) {
        if (a === undefined) return null;
        return { kind: "hole", tree: t.tree, port: Math.max(...t.ports.map((x) => x.n)) + 1, replaces: p.n, along_mm: a, height_mm: hh ?? Math.round(p.height_cm * 10) };
      }
      if (a === undefined && hh === undefined && d === undefined && b === undefined) return null;
      return { kind: "drill", tree: t.tree, port: p.n, along_mm: a, height_mm: hh, depth_mm: d, bit_um: b };
    };
    const keep = button("main", say(instead ? "phone-hole-note" : "phone-note-it"), async () => {
      const e = event();
      if (e && (await put(e))) {
        close();
        if (instead) go("tree", t.tree, "port", e.port!);
      }
    });
    const set = (cm: number): void => {
      along.input.value = unit === "in" ? (cm / 2.54).toFixed(1) : cm.toFixed(1);
      look();
    };
    const look = (): void => {
      const e = event();
      answer.replaceChildren();
      keep.disabled = !e;
      if (!e) {
        answer.append(h("p", { class: "hint" }, say("phone-place-hint")));
        return;
      }
      if (e.along_mm !== undefined) slide.value = String(e.along_mm);
      const j = core.judge(e);
      keep.disabled = j.against.length > 0;
      if (j.against.length || j.mind.length) answer.append(findings([...j.against, ...j.mind]) as Node);
      else answer.append(h("p", { class: "note good" }, say(instead ? "phone-place-yes" : "phone-place-seen")));
      const near = [j.spot?.before_cm, j.spot?.after_cm].filter((x): x is number => x !== null && x !== undefined);
      if (near.length && j.against.length) answer.append(h("div", { class: "pair" }, near.map((cm) => button("wide", say("phone-place-near", { along: length(cm) }), () => set(cm)))));
    };
    slide.addEventListener("input", () => set(Number(slide.value) / 10));
    for (const f of [along, height, depth, bit]) f?.input.addEventListener("input", look);
    const top = h("div");
    const draw = (): void => { top.replaceChildren(choices(say("phone-unit"), [["cm", "cm"], ["in", "in"]], unit, (u) => { unit = u; draw(); look(); }) as Node); };
    draw();
    if (!instead) slide.value = String(Math.round(p.along_girth_cm * 10));
    look();
    return [instead ? h("p", null, say("phone-hole-says", { port: String(p.n) })) : h("p", { class: "hint" }, say("phone-else-says", { along: length(p.along_girth_cm), height: length(p.height_cm) })),
      top, along.node, slide, answer, height.node, depth?.node, bit?.node, h("div", { class: "foot-stick" }, keep)];
  });
}
