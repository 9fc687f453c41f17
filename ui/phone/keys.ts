import { button, h, icon, type Child } from "./dom";
import { readNumber, say } from "./words";

// keys are big number keys under a reading. There is no value to begin with:
// what nobody typed is never a number.
export function keys(unit: string, changed: (v: number | "unclear" | null) => void, o: { label: string; turn?: () => string; answer?: HTMLElement } = { label: "" }): { node: Child; text: () => string } {
  let text = "";
  const shown = h("output", { class: "shown", "aria-live": "polite", "aria-label": o.label });
  const show = (): void => {
    shown.replaceChildren(text === "" ? h("span", { class: "empty" }, "\u2013") : text, o.turn ? "" : h("small", null, ` ${unit}`));
    changed(readNumber(text.endsWith(".") ? text.slice(0, -1) : text));
  };
  const type = (k: string): void => {
    if (k === "<") text = text.slice(0, -1);
    else if (k === ".") { if (!text.includes(".")) text = text === "" ? "0." : `${text}.`; } else if (text.length < 7) text = text === "0" ? k : text + k;
    show();
  };
  const pad = h("div", { class: "pad" }, ["1", "2", "3", "4", "5", "6", "7", "8", "9", ".", "0", "<"].map((k) =>
    button("key", k === "<" ? icon("rub") : k, () => type(k), k === "<" ? { "aria-label": say("phone-rub") } : k === "." ? { "aria-label": say("phone-point") } : {})));
  const turn = o.turn ? button("key unit", unit, () => {
    unit = o.turn!();
    turn!.textContent = unit;
    turn!.setAttribute("aria-label", say("phone-unit-is", { unit }));
    show();
  }, { "aria-label": say("phone-unit-is", { unit }) }) : null;
  const box = h("div", { class: "keys", tabindex: "-1" }, h("div", { class: "shown-row" }, shown, turn), o.answer ?? null, pad);
  box.addEventListener("keydown", (e) => {
    const k = (e as KeyboardEvent).key;
    if (/^[0-9]$/.test(k)) type(k);
    else if (k === "." || k === ",") type(".");
    else if (k === "Backspace") type("<");
  });
  show();
  return { node: box, text: () => text };
}

// field is one line to type in, with the phone's own keyboard.
export function field(label: string, o: { value?: string; mode?: string; hint?: string; area?: boolean; max?: number; id?: string } = {}): { node: HTMLElement; input: HTMLInputElement } {
  const id = o.id ?? `f${Math.random().toString(36).slice(2, 8)}`;
  const input = h(o.area ? "textarea" : "input", { id, ...(o.area ? { rows: 3 } : { type: "text" }), inputmode: o.mode ?? null, maxlength: o.max ?? 200, autocomplete: "off", autocapitalize: "off", "aria-describedby": o.hint ? `${id}h` : null }) as HTMLInputElement;
  input.value = o.value ?? "";
  return { node: h("div", { class: "field" }, h("label", { for: id }, label), input, o.hint ? h("p", { id: `${id}h`, class: "hint" }, o.hint) : null), input };
}
