import { Faults } from "./core";
import { finding, say } from "./words";

export type Child = Node | string | number | null | undefined | false | Child[];
export type Attrs = Record<string, string | number | boolean | null | undefined | ((e: never) => unknown)>;

const svgTags = new Set(["svg", "g", "path", "circle", "line", "rect", "polygon", "text", "polyline"]);

// h makes an element; on* take functions, true an empty attribute.
export function h(tag: string, attrs: Attrs | null = null, ...children: Child[]): HTMLElement {
  const e = svgTags.has(tag) ? document.createElementNS("http://www.w3.org/2000/svg", tag) : document.createElement(tag);
  for (const [k, v] of Object.entries(attrs ?? {})) {
    if (typeof v === "function") e.addEventListener(k.slice(2), v as EventListener);
    else if (v !== null && v !== undefined && v !== false) e.setAttribute(k, v === true ? "" : String(v));
  }
  append(e, children);
  return e as HTMLElement;
}
export function append(e: Element, children: Child[]): void {
  for (const c of children) {
    if (Array.isArray(c)) append(e, c);
    else if (c !== null && c !== undefined && c !== false) e.append(c instanceof Node ? c : String(c));
  }
}

let said: HTMLElement | null = null;
let timer = 0;
// tell says one line at the top of the thumb's place; screen readers hear it.
export function tell(text: string, bad = false): void {
  said ??= document.getElementById("say");
  if (!said) return;
  said.textContent = text;
  said.className = bad ? "say bad" : "say";
  clearTimeout(timer);
  timer = window.setTimeout(() => { said!.textContent = ""; }, bad ? 9000 : 3500);
}
export function forgetTell(): void { said = null; }

export function words(e: unknown): string {
  if (e instanceof Faults) return e.list.map((f) => finding(f)).join(" ");
  return say("phone-not-kept", { cause: e instanceof Error ? e.message || e.name : String(e) });
}

// button makes a button whose work runs once at a time.
export function button(cls: string, label: Child, work: () => unknown, attrs: Attrs = {}): HTMLButtonElement {
  const b = h("button", { type: "button", class: cls, ...attrs }, label) as HTMLButtonElement;
  b.addEventListener("click", async () => {
    if (b.disabled || b.dataset.busy) return;
    b.dataset.busy = "1";
    try {
      await work();
    } catch (e) {
      tell(words(e), true);
    } finally {
      delete b.dataset.busy;
    }
  });
  return b;
}

// sheet opens a dialog from below. build gets what closes it.
export function sheet(title: string, build: (close: () => void) => Child[], foot?: (close: () => void) => Child[]): HTMLDialogElement {
  const d = h("dialog", { class: "sheet", "aria-labelledby": "sheet-title" }) as HTMLDialogElement;
  const close = (): void => { d.close(); };
  d.addEventListener("close", () => d.remove());
  append(d, [
    h("div", { class: "sheet-head" }, h("h2", { id: "sheet-title", tabindex: "-1" }, title), button("plain icon", icon("close"), close, { "aria-label": say("phone-close") })),
    h("div", { class: "sheet-body" }, build(close)),
    foot ? h("div", { class: "sheet-foot" }, foot(close)) : null,
  ]);
  document.body.append(d);
  d.showModal();
  (d.querySelector("#sheet-title") as HTMLElement).focus();
  return d;
}

const paths: Record<string, string> = {
  close: "M6 6l12 12M18 6L6 18", back: "M15 5l-7 7 7 7", walk: "M4 20c3-6 5 0 8-5s2-8 8-11M17 4h3v3", clock: "M12 7v5l4 2M12 3a9 9 0 1 0 0 18 9 9 0 0 0 0-18",
  can: "M8 8h8v12H8zM10 8V4h4v4M8 13h8", day: "M5 12l4 4L19 6M4 20h16", find: "M10.500 4a6.500 6.500 0 1 0 0 13 6.500 6.500 0 0 0 0-13M15.500 15.500L21 21", map: "M3 6l6-2 6 2 6-2v14l-6 2-6-2-6 2zM9 4v14M15 6v14",
  next: "M9 5l7 7-7 7", camera: "M4 8h4l2-3h4l2 3h4v11H4zM12 10.500a3 3 0 1 0 0 6 3 3 0 0 0 0-6", here: "M12 3v5M12 16v5M3 12h5M16 12h5M12 9a3 3 0 1 0 0 6 3 3 0 0 0 0-6", more: "M5 12h.01M12 12h.01M19 12h.01", rub: "M8 5h12v14H8l-5-7zM11 9.500l5 5M16 9.500l-5 5",
};
export function icon(name: string): HTMLElement {
  return h("svg", { viewBox: "0 0 24 24", class: "icon", "aria-hidden": "true", fill: "none", stroke: "currentColor", "stroke-width": "2.200", "stroke-linecap": "round", "stroke-linejoin": "round" }, h("path", { d: paths[name] }));
}
