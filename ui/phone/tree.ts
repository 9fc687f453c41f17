import { core } from "./core";
import { button, h, icon, sheet, tell, type Child } from "./dom";
import { field, keys } from "./keys";
import { badge, lookOf, treeLook } from "./marks";
import type { Event, Port, Tree } from "./model";
import { note, state } from "./state";
import { clock, figure, finding, length, ml, n, say } from "./words";
import { cautions, choices, fact, findings, go, href, lazily, packTree, personName, type Screen } from "./view";
import { ring } from "./ring";
import { loadOf, withContainer } from "./container";
import { takePhoto } from "./photo";

// steps are what a whole tree can be taken through at once, each port still a
// note of its own.
const steps: { kind: string; from: string; of: (p: Port) => Partial<Event> }[] = [
  { kind: "mark", from: "planned", of: () => ({}) },
  { kind: "drill", from: "marked", of: () => ({}) },
  { kind: "set", from: "drilled", of: () => ({}) },
  { kind: "load", from: "set", of: (p) => ({ volume_ul: p.planned_ul, ...loadOf() }) },
  { kind: "begin", from: "loaded", of: () => ({}) },
];

export const alive = (p: Port): boolean => !p.given_up;
export const ends = (): string[] => (state.pack!.ends === "pull" ? ["pull"] : state.pack!.ends === "leave" ? ["leave"] : ["pull", "leave"]);

// spot names the limb of a port, or its stem where the tree has several.
export function spot(t: Tree, p: Port): string {
  if (p.where.startsWith("limb ")) return say("phone-limb-name", { limb: p.where.slice(5) });
  return p.stem && t.ports.some((x) => x.stem !== p.stem) ? say("phone-stem", { stem: p.stem }) : "";
}

// nextOf is what a tree waits for: the step of all its ports, or one port.
export function nextOf(t: Tree): { all?: (typeof steps)[number]; ports: Port[]; read?: Port; close?: string } {
  const live = t.ports.filter(alive);
  for (const s of steps) {
    const ports = live.filter((p) => p.stage === s.from);
    if (ports.length) return { all: s, ports };
  }
  const read = live.filter((p) => p.stage === "delivering");
  if (read.length) return { ports: read, read: read[0] };
  const seal = live.filter((p) => p.stage === "delivered");
  if (seal.length) return { ports: seal, close: "seal" };
  return { ports: live.filter((p) => p.stage === "sealed" && !["pulled", "left-in"].includes(p.stage)), close: "end" };
}

// noteAll notes one step for many ports, asking the core first.
async function noteAll(t: Tree, kind: string, ports: Port[], of: (p: Port) => Partial<Event>): Promise<void> {
  const parts = ports.map((p) => ({ kind, tree: t.tree, port: p.n, ...of(p) }));
  const against = core.may(parts);
  if (against.length) {
    tell(against.map((f) => finding(f)).join(" "), true);
    return;
  }
  await note(parts);
  tell(say(`phone-noted-${kind}`, { ports: n(ports.length) }));
}

export function tree(tag: string): Screen {
  const p = packTree(tag);
  if (!p) return { title: tag, body: [h("p", null, say("phone-no-tree"))], up: href("walk") };
  state.lastTree = tag;
  const t = core.tree(tag);
  const next = nextOf(t);
  const untouched = !t.ports.some((x) => !["planned", "marked"].includes(x.stage));
  const stems = [...new Set(t.ports.filter((x) => !x.where.startsWith("limb")).map((x) => x.stem ?? ""))];
  const dose = t.units.reduce((s, u) => s + u.planned_ul, 0);
  const sizes = new Set(t.ports.map((x) => x.planned_ul));
  const body: Child[] = [
    h("p", { class: "state" }, badge(treeLook(t.stage)), h("span", null, say(`phone-tree-${t.stage}`), t.why ? `: ${t.why}` : ""), p.pilot ? h("b", { class: "tag" }, say("phone-pilot")) : null),
    findings(t.findings),
    t.conflicts.length ? h("p", { class: "note warn" }, say("phone-conflict", { count: n(t.conflicts.length) })) : null,
    h("dl", { class: "facts" },
      fact(say("phone-ports-label"), t.ports.length ? (sizes.size === 1 ? say("phone-ports-each", { ports: n(t.ports.length), volume: ml([...sizes][0]) }) : String(t.ports.length)) : "0"),
      fact(say("phone-dose"), ml(dose)),
      fact(say("phone-girth"), h("span", null, length(t.girth_at_ports_cm), t.reading ? h("small", null, ` ${say("phone-read-today", { reading: t.reading })}`) : null))),
    untouched ? button("wide", [icon("next"), say("phone-tape-again")], () => tape(t)) : null,
    ...stems.map((s) => h("figure", { class: "ring-box" }, s ? h("figcaption", null, say("phone-stem", { stem: s })) : null, lazily(`ring ${tag} ${s}`, () => ring(t, s)))),
    t.ports.length ? h("p", { class: "hint" }, say("phone-ring-says", { unit: state.pack!.units === "us" ? "in" : "cm" })) : null,
    lazily(`ports ${tag}`, () => h("ul", { class: "rows" }, t.ports.map((x) => h("li", null, h("a", { href: href("tree", tag, "port", x.n) }, badge(lookOf(x), x.n),
      h("span", { class: "grow" }, h("b", null, [spot(t, x), length(x.along_girth_cm)].filter(Boolean).join(" \u00b7 ")), h("small", null, say(`phone-port-${lookOf(x)}`))),
      h("span", { class: "end" }, x.read ? ml(x.gone_ul) : ml(x.loaded_ul || x.planned_ul))))))),
    h("div", { class: "pair" },
      button("wide", say("phone-cleaned-do"), async () => { await note([{ kind: "cleaned", tree: tag }]); tell(say("phone-noted-cleaned")); }, { "aria-pressed": t.cleaned ? "true" : "false" }),
      button("wide", say("phone-photo"), () => takePhoto(tag)),
      button("wide", say("phone-note"), () => writeNote(tag)),
      button("wide", say("phone-skip"), () => skip(tag))),
    h("a", { class: "wide", href: href("tree", tag, "notes") }, say("phone-my-notes")),
  ];
  const bar: Child[] = [];
  const gear: Event = { kind: "start", tree: tag };
  if (t.stage === "to-do" || t.stage === "skipped") {
    bar.push(button("main", say("phone-start"), async () => { await note([gear]); tell(say("phone-noted-start")); }));
    body.splice(4, 0, cautions(core.judge(gear).cautions));
  } else if (t.stage === "refused") {
    bar.push(button("main", say("phone-tape-again"), () => tape(t)));
  } else if (next.all) {
    const s = next.all;
    const first = { kind: s.kind, tree: tag, port: next.ports[0].n, ...s.of(next.ports[0]) };
    const j = core.judge(first);
    body.splice(4, 0, findings(j.mind), cautions(j.cautions));
    const run = (): Promise<void> => noteAll(t, s.kind, next.ports, s.of);
    if (!t.cleaned && s.kind === "drill" && untouched) bar.push(button("half", say("phone-cleaned-do"), async () => { await note([{ kind: "cleaned", tree: tag }]); tell(say("phone-noted-cleaned")); }));
    bar.push(button("main", say(`phone-all-${s.kind}`, { ports: n(next.ports.length) }), () => (s.kind === "load" ? withContainer(run) : run())));
  } else if (next.read) {
    bar.push(h("a", { class: "main", href: href("tree", tag, "port", next.read.n) }, say("phone-read-port", { port: String(next.read.n) })));
  } else if (next.close === "seal") {
    body.splice(4, 0, cautions(core.judge({ kind: "seal", tree: tag, port: next.ports[0].n }).cautions));
    bar.push(button("main", say("phone-all-seal", { ports: n(next.ports.length) }), () => noteAll(t, "seal", next.ports, () => ({}))));
  } else if (next.ports.length && t.stage !== "done") {
    body.splice(4, 0, cautions(core.judge({ kind: "pull", tree: tag, port: next.ports[0].n }).cautions));
    for (const k of ends()) bar.push(button(ends().length > 1 ? "main half" : "main", say(`phone-all-${k}`, { ports: n(next.ports.length) }), () => noteAll(t, k, next.ports, () => ({}))));
  } else if (t.stage !== "done") {
    const j = core.judge({ kind: "done", tree: tag });
    body.splice(4, 0, findings(j.mind), cautions(j.cautions));
    bar.push(button("main", say("phone-done"), async () => { await note([{ kind: "done", tree: tag }]); go("walk"); }));
  } else {
    bar.push(h("a", { class: "main", href: href("walk") }, say("phone-to-walk")));
  }
  return {
    title: say("phone-tree", { tree: tag }), up: href("walk"),
    sub: [p.code, p.species, p.person ? personName(p.person) : ""].filter(Boolean).join(" \u00b7 "), body, bar,
  };
}

// tape takes a new reading; the core says at once what follows from it.
export function tape(t: Tree): void {
  const stems = (packTree(t.tree)?.taped?.Stems ?? []).map((s) => s.Name);
  let stem = stems[0] ?? "";
  let taped = "girth";
  let unit = state.pack!.units === "us" ? "in" : "cm";
  let v: number | "unclear" | null = null;
  sheet(say("phone-tape"), (close) => {
    const answer = h("div", { class: "answer", "aria-live": "polite" });
    const line = h("p", { class: "line" });
    const keep = button("main", say("phone-note-it"), async () => {
      await note([event()]);
      close();
      tell(say("phone-noted-tape"));
    });
    const event = (): Event => ({ kind: "tape", tree: t.tree, stem: stem || undefined, taped, reading: `${figure(Number(v), 2)} ${unit}` });
    const look = (): void => {
      const ready = typeof v === "number" && v > 0;
      keep.disabled = !ready;
      keep.textContent = ready ? say("phone-note-reading", { reading: `${figure(Number(v), 2)} ${unit}` }) : say("phone-note-it");
      if (!ready) {
        line.textContent = v === "unclear" ? say("phone-unclear") : "";
        answer.replaceChildren(h("p", { class: "hint" }, say("phone-tape-hint")));
        return;
      }
      const j = core.judge(event());
      const units = j.units ?? [];
      const ports = units.flatMap((u) => u.ports);
      const fills = [...new Set(ports.map((p) => p.volume_ml))];
      line.textContent = ports.length ? say("phone-tape-gives", { ports: n(ports.length), volume: fills.map((f) => `${figure(f, 3)} mL`).join(" / ") }) : "";
      answer.replaceChildren(...[findings([...j.against, ...j.mind]) as Node | null].filter((x) => x !== null));
      keep.disabled = j.against.length > 0;
    };
    const what = h("div", { class: "stack" });
    const draw = (): void => {
      what.replaceChildren(...([
        stems.length > 1 ? choices(say("phone-which-stem"), stems.map((s) => [s, s] as [string, string]), stem, (s) => { stem = s; draw(); look(); }) : null,
        choices(say("phone-tape-of"), [["girth", say("phone-girth")], ["diameter", say("phone-diameter")]], taped, (s) => { taped = s; draw(); look(); }),
      ].filter((x) => x !== null) as Node[]));
    };
    draw();
    return [what, keys(unit, (x) => { v = x; look(); }, { label: say("phone-tape"), turn: () => (unit = unit === "cm" ? "in" : "cm"), answer: line }).node, answer, h("div", { class: "foot-stick" }, keep)];
  });
}

export function writeNote(tag: string, port?: number): void {
  sheet(say("phone-note"), (close) => {
    const f = field(say("phone-note-text"), { area: true, max: 2000 });
    return [f.node, button("main", say("phone-note-it"), async () => {
      if (!f.input.value.trim()) { f.input.focus(); return; }
      await note([{ kind: "note", tree: tag || undefined, text: f.input.value, port }]);
      close();
      tell(say("phone-noted-note"));
    })];
  });
}

// reasons offers what is usual and lets anything be typed.
export function reasons(title: string, ids: string[], done: (reason: string) => Promise<void>, say2?: string): void {
  sheet(title, (close) => {
    const f = field(say("phone-other-reason"));
    const end = async (r: string): Promise<void> => {
      await done(r);
      close();
    };
    return [say2 ? h("p", null, say2) : null, h("div", { class: "stack" }, ids.map((id) => button("wide", say(id), () => end(say(id))))), f.node,
      button("main", say("phone-note-it"), async () => { if (f.input.value.trim()) await end(f.input.value.trim()); else f.input.focus(); })];
  });
}

function skip(tag: string): void {
  reasons(say("phone-skip"), ["phone-skip-reach", "phone-skip-people", "phone-skip-wet", "phone-skip-ill", "phone-skip-time"], async (reason) => {
    await note([{ kind: "skip", tree: tag, reason }]);
    go("walk");
  });
}

// notes lists what this phone noted on a tree; each may be called a slip.
export function notes(tag: string): Screen {
  const gone = new Set(state.own.filter((e) => e.kind === "void").map((e) => e.of));
  const list = state.own.filter((e) => (e.tree ?? "") === tag && e.kind !== "void").reverse();
  return {
    title: say("phone-my-notes"), sub: tag ? say("phone-tree", { tree: tag }) : say("phone-of-the-day"), up: tag ? href("tree", tag) : href("day"),
    body: [list.length ? h("ul", { class: "rows" }, list.map((e) => h("li", { class: gone.has(e.id) ? "void" : null },
      h("span", { class: "grow" }, h("b", null, say(`phone-kind-${e.kind}`), e.port ? ` ${e.port}` : ""), h("small", null, [clock(e.at!), e.volume_ul !== undefined ? ml(e.volume_ul) : "", e.kind === "read" ? (e.left_ul === undefined ? say("phone-not-read") : ml(e.left_ul)) : "", e.reading ?? "", e.text ?? e.reason ?? ""].filter(Boolean).join(" \u00b7 "))),
      gone.has(e.id) ? h("span", { class: "tag" }, say("phone-was-slip")) : button("slim boxed", say("phone-slip-short"), () => slip(e), { "aria-label": `${say("phone-slip-short")}: ${say(`phone-kind-${e.kind}`)}` }))))
      : h("p", null, say("phone-no-notes"))],
  };
}

export function slip(e: Event): void {
  reasons(say("phone-slip"), ["phone-slip-port", "phone-slip-number", "phone-slip-not-yet"], async (reason) => {
    await note([{ kind: "void", tree: e.tree, of: e.id, reason }]);
    tell(say("phone-noted-void"));
  }, `${say(`phone-kind-${e.kind}`)}${e.port ? ` ${e.port}` : ""}, ${clock(e.at!)}`);
}
