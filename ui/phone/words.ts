import type { Args, Fault, Finding, Value } from "./model";

let all: Record<string, Record<string, string>> = { en: {}, es: {} };
let language = "en";
let us = false;

export async function loadWords(url: string): Promise<void> { all = (await (await fetch(url)).json()) as typeof all; }
export function speak(l: string, units: string): void {
  language = l === "es" ? "es" : "en";
  us = units === "us";
  document.documentElement.lang = language;
}
export const spoken = (): string => language;
export const isUS = (): boolean => us;

// figure writes a number with at most the given decimals, a point, no grouping.
export function figure(x: number, decimals: number): string {
  const s = x.toFixed(decimals);
  const t = s.includes(".") ? s.replace(/\.?0+$/, "") : s;
  return t === "-0" ? "0" : t;
}
export const ml = (ul: number): string => `${figure(ul / 1000, 3)} mL`;
export const length = (cm: number): string => (us ? `${figure(cm / 2.54, 1)} in` : `${figure(cm, 1)} cm`);
export const metres = (m: number): string => (us ? `${figure(m / 0.3048, 0)} ft` : `${figure(m, 0)} m`);

export function value(v: Value): string {
  if (typeof v === "string") return v;
  switch (v.unit) {
    case "cm": return length(v.value);
    case "mL": return `${figure(v.value, 3)} mL`;
    case "pct": return `${figure(v.value, 1)} %`;
    case "deg": return `${figure(v.value, 1)}\u00b0`;
    case undefined: case "": return figure(v.value, 3);
  }
  return `${figure(v.value, 2)} ${v.unit}`;
}

// say returns a message in the phone's language. An identifier the phone has no
// words for says so in words.
export function say(id: string, args: Args = {}): string {
  const text = all[language]?.[id];
  if (text === undefined) return id.startsWith("phone-") ? id : (all[language]?.["phone-see-plan"] ?? id).replace("{{.what}}", id);
  return chosen(text, args).replace(/\{\{\.(\w+)\}\}/g, (_, name: string) => {
    const v = args[name];
    if (v === undefined) return "\u2026";
    return typeof v === "string" && name.endsWith("_by") ? say(v, args) : value(v);
  });
}
// chosen settles the parts of a text that depend on whether an argument is there.
function chosen(text: string, args: Args): string {
  return text.includes("{{if") ? text.replace(/\{\{if \.(\w+)\}\}(.*?)(?:\{\{else\}\}(.*?))?\{\{end\}\}/g, (_, name: string, yes: string, no?: string) => (args[name] === undefined || args[name] === "" ? no ?? "" : yes)) : text;
}
export const has = (id: string): boolean => all[language]?.[id] !== undefined;
export const n = (x: number): Value => ({ value: x });

// finding says what stands out, about one tree. Ways to mend it speak of files
// and buttons at the desk and are left out here.
export function finding(f: Finding | Fault, tree = ""): string {
  const args = { ...f.args };
  args.trees ??= "trees" in f && f.trees?.length ? f.trees.join(", ") : tree;
  if (has(`phone-one-${f.id}`)) return say(`phone-one-${f.id}`, args); // in words about one tree
  args.count ??= say("phone-this-tree");
  const text = say(f.id, args);
  return text.charAt(0).toUpperCase() + text.slice(1);
}

// readNumber reads a number typed with a decimal comma or a decimal point. One
// that could be either a decimal or a grouping (1,234) is refused, and so is
// one with both marks.
export function readNumber(text: string): number | "unclear" | null {
  const t = text.trim().replace(/\s+/g, "");
  if (t === "") return null;
  if (!/^\d+([.,]\d+)?$/.test(t)) return "unclear";
  if (/^[1-9]\d{0,2},\d{3}$/.test(t)) return "unclear";
  return Number(t.replace(",", "."));
}

export function clock(at: string): string { return at.slice(11, 16); }
export function since(at: string, now = Date.now()): number { return Math.max(0, Math.floor((now - Date.parse(at)) / 1000)); }
export function span(s: number): string {
  const h = Math.floor(s / 3600);
  const m = Math.floor((s % 3600) / 60);
  return h ? `${h} h ${String(m).padStart(2, "0")} min` : `${m} min`;
}
