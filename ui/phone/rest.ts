import { core } from "./core";
import { button, h, icon, sheet, tell, type Child } from "./dom";
import { field, keys } from "./keys";
import { badge } from "./marks";
import type { Event, TreeLine } from "./model";
import { note, state, wholeDay } from "./state";
import { clock, ml, n, say, since, span } from "./words";
import { cautions, fact, href, type Screen } from "./view";
import { setContainer } from "./container";
import { writeNote } from "./tree";

// timers lists what is delivering, the longest first, and calls when the
// expected uptake has passed.
const called = new Set<string>();
export interface Running { tree: string; ports: number[]; from: string }
export const delivering = (): TreeLine[] => (state.core ? state.day?.trees ?? [] : []).filter((l) => l.longest_from);
export function running(): Running[] {
  return delivering().map((l) => {
    const ports = core.tree(l.tree).ports.filter((p) => p.stage === "delivering");
    return { tree: l.tree, ports: ports.map((p) => p.n), from: l.longest_from! };
  }).sort((a, b) => Date.parse(a.from) - Date.parse(b.from));
}
const due = (r: Running): boolean => !!state.pack?.expected_uptake_s && since(r.from) >= state.pack.expected_uptake_s;

export function callDue(): void {
  if (!state.pack) return;
  for (const r of running()) {
    const id = `${r.tree} ${r.from}`;
    if (due(r) && !called.has(id)) {
      called.add(id);
      navigator.vibrate?.([200, 100, 200]);
      tell(say("phone-look-now", { tree: r.tree }));
    }
  }
}

export function timers(): Screen {
  const list = running();
  return {
    title: say("phone-delivering"), sub: state.pack!.expected_uptake_s ? say("phone-expected", { time: span(state.pack!.expected_uptake_s) }) : say("phone-no-expected"),
    body: [list.length ? h("ul", { class: "rows tall" }, list.map((r) => h("li", null, h("a", { href: href("tree", r.tree, "port", r.ports[0]) }, badge("delivering"),
      h("span", { class: "grow" }, h("b", null, r.tree), h("small", null, say("phone-ports-list", { ports: r.ports.join(", ") }))),
      h("span", { class: `end big${due(r) ? " due" : ""}` }, h("span", { "data-since": r.from }, span(since(r.from))), due(r) ? h("small", null, say("phone-due")) : null)))))
      : h("p", { class: "hint" }, say("phone-none-delivering")),
    list.length ? cautions(core.judge({ kind: "begin", tree: list[0].tree, port: list[0].ports[0] }).cautions.filter((c) => c.id !== "gear-apply")) : null],
  };
}

export function product(): Screen {
  const p = state.pack!.product;
  const gone = new Set(state.own.filter((e) => e.kind === "void").map((e) => e.of));
  const mine = state.own.filter((e) => (e.kind === "draw" || e.kind === "return") && !gone.has(e.id)).reverse();
  const b = wholeDay().balance;
  return {
    title: say("phone-product"), sub: p.name,
    body: [
      state.container.container ? h("p", { class: "with" }, h("span", null, say("phone-from-can", { can: [state.container.container, state.container.lot].filter(Boolean).join(" / ") }))) : null,
      h("dl", { class: "facts" }, fact(say("phone-drawn"), ml(b.drawn_ul)), fact(say("phone-into-trees"), ml(b.delivered_ul)), b.lost_ul ? fact(say("phone-leaked"), ml(b.lost_ul)) : null,
        fact(say("phone-in-devices"), ml(b.left_ul)), b.unread_ul ? fact(say("phone-unread"), ml(b.unread_ul)) : null, fact(say("phone-returned"), ml(b.returned_ul)),
        b.drawn_ul ? fact(say("phone-missing"), b.known ? ml(b.missing_ul) : say("phone-not-known-yet")) : null),
      b.known && !b.fits ? h("p", { class: "note warn" }, say("phone-misfit")) : null,
      mine.length ? h("ul", { class: "rows" }, mine.map((e) => h("li", null, h("span", { class: "grow" }, h("b", null, say(`phone-kind-${e.kind}`)), h("small", null, `${clock(e.at!)} \u00b7 ${[e.container, e.lot].filter(Boolean).join(" / ")}`)), h("span", { class: "end" }, ml(e.volume_ul ?? 0))))) : null,
      h("a", { class: "wide", href: href("notes") }, say("phone-my-notes")),
      cautions((state.pack!.cautions ?? []).filter((c) => c.id === "caution-mixing" || c.id === "gear-mix")),
    ],
    bar: [button("half", say("phone-return"), () => handle("return")), button("main", say("phone-draw"), () => handle("draw"))],
  };
}

// handle notes product taken or brought back, after the number on the container
// was compared with the card's.
function handle(kind: "draw" | "return"): void {
  let v: number | "unclear" | null = null;
  let same = kind === "return";
  sheet(say(kind === "draw" ? "phone-draw" : "phone-return"), (close) => {
    const p = state.pack!.product;
    const c = field(say("phone-can-number"), { value: state.container.container });
    const l = field(say("phone-lot"), { value: state.container.lot });
    const keep = button("main", "", async () => {
      if (!c.input.value.trim()) { c.input.focus(); tell(say("phone-can-needed"), true); return; }
      await note([{ kind, volume_ul: Math.round(Number(v) * 1000), container: c.input.value.trim(), lot: l.input.value.trim() || undefined }]);
      if (kind === "draw") await setContainer(c.input.value.trim(), l.input.value.trim());
      close();
      tell(say(`phone-noted-${kind}`));
    });
    const look = (): void => {
      keep.disabled = !same || typeof v !== "number" || (v === 0 && kind === "draw");
      keep.textContent = !same ? say("phone-compare-first") : typeof v === "number" ? say(`phone-note-${kind}`, { volume: ml(Math.round(v * 1000)) }) : say("phone-type-volume");
    };
    const check = h("div", { class: "compare" });
    const ask = (): void => {
      check.replaceChildren(h("p", null, say("phone-card-says")), h("p", { class: "big" }, p.registration || p.name), h("div", { class: "pair" },
        button("wide", say("phone-same"), () => { same = true; check.replaceChildren(h("p", { class: "note good" }, say("phone-compared", { number: p.registration }))); look(); }),
        button("wide grave", say("phone-different"), () => { same = false; check.replaceChildren(h("p", { class: "note warn" }, say("phone-other-product")), button("wide", say("phone-look-again"), ask)); look(); })));
    };
    if (kind === "draw") ask();
    const pad = keys("mL", (x) => { v = x; look(); }, { label: say("phone-volume") }).node;
    return [check, c.node, l.node, pad, h("div", { class: "foot-stick" }, keep)];
  });
}

// incident is what a person needs at once, from nothing but what the phone has.
export function incident(): Screen {
  const { product: p, help } = state.pack!;
  const put = (reason: "exposure" | "spill"): void => {
    const tag = state.lastTree;
    sheet(say(`phone-note-${reason}`), (close) => {
      const f = field(say("phone-what-happened"), { area: true, max: 2000 });
      return [f.node, tag ? h("p", { class: "hint" }, say("phone-at-tree", { tree: tag })) : null, button("main", say("phone-note-it"), async () => {
        await note([{ kind: "incident", reason, text: f.input.value.trim() || undefined, tree: tag || undefined }]);
        close();
        tell(say("phone-noted-incident"));
      })];
    });
  };
  const phone = help.emergency_number.replace(/[^\d+]/g, "");
  return {
    title: say("phone-incident"), up: "back",
    body: [
      h("section", { class: "help" }, h("h2", null, say("phone-exposure")), h("p", { class: "first" }, help.first_aid || say("phone-not-on-card"))),
      help.emergency_number ? (phone.length > 2 ? h("a", { class: "call", href: `tel:${phone}` }, h("small", null, say("phone-call")), h("b", null, help.emergency_number)) : h("p", { class: "big" }, help.emergency_number)) : h("p", { class: "note warn" }, say("phone-no-number")),
      h("dl", { class: "facts" }, fact(say("phone-product"), p.name), fact(say("phone-registration"), p.registration), fact(say("phone-actives"), (p.actives ?? []).join(", ") || "\u2013")),
      p.invented ? h("p", { class: "hint" }, say("invented")) : null,
      h("section", { class: "help" }, h("h2", null, say("phone-spill")), h("p", null, help.spill || say("caution-leak"))),
      h("p", { class: "hint" }, say("phone-label-first")),
    ],
    bar: [button("half grave", say("phone-note-spill"), () => put("spill")), button("main grave", say("phone-note-exposure"), () => put("exposure"))],
  };
}

export function day(): Screen {
  const d = wholeDay();
  const total = d.trees.length;
  const apart = (["skipped", "refused"] as const).filter((k) => d.by_stage[k]).map((k) => `${say(`phone-tree-${k}`)} ${d.by_stage[k]}`).join(" \u00b7 ");
  const me = d.people.find((x) => x.id === state.me!.person);
  const what: Child = d.returns.length ? h("ul", { class: "rows" }, d.returns.map((r) => h("li", null, h("a", { href: r.port ? href("tree", r.tree, "port", r.port) : href("tree", r.tree) },
    badge(r.what === "return-leaking" ? "leaking" : r.what === "return-read" ? "delivering" : r.what === "return-skipped" ? "given-up" : "drilled"),
    h("span", { class: "grow" }, h("b", null, r.port ? say("phone-port-of-tree", { port: String(r.port), tree: r.tree }) : r.tree), h("small", null, say(`phone-${r.what}`), r.why ? `: ${r.why}` : "")))))) : h("p", { class: "note good" }, say("phone-nothing-to-return"));
  return {
    title: say("phone-day"), sub: state.pack!.on,
    body: [
      state.pack!.practice_only ? h("p", { class: "note warn" }, say("practice-only")) : null,
      h("dl", { class: "facts" }, fact(say("phone-trees"), h("span", null, `${d.by_stage.done ?? 0} / ${total}`, apart ? h("small", { class: "block" }, apart) : null)), me?.trees ? fact(say("phone-mine"), `${me.done} / ${me.trees}`) : null, fact(say("phone-ports-label"), `${d.closed} / ${d.ports}`)),
      d.conflicts.length ? h("p", { class: "note warn" }, say("phone-conflict", { count: n(d.conflicts.length) })) : null,
      d.incidents.length ? h("section", null, h("h2", null, say("phone-incidents")), h("ul", { class: "rows" }, d.incidents.map((e: Event) => h("li", null, badge("leaking"), h("span", { class: "grow" }, h("b", null, e.reason === "over" ? say("phone-over") : say(`phone-${e.reason}`)), h("small", null, [clock(e.at!), e.tree ?? "", e.text ?? ""].filter(Boolean).join(" \u00b7 "))))))) : null,
      h("section", null, h("h2", null, say("phone-returns")), what),
      h("div", { class: "pair" }, button("wide", say("phone-note"), () => writeNote("")), h("a", { class: "wide", href: href("notes") }, say("phone-my-notes"))),
    ],
    bar: [h("a", { class: "half", href: href("product") }, icon("can"), say("phone-product")), h("a", { class: "main", href: href("here") }, say("phone-end-day"))],
  };
}
