import { fresh } from "./once";

type Field = HTMLInputElement | HTMLSelectElement | HTMLTextAreaElement;

const isField = (e: Element | null): e is Field =>
  e instanceof HTMLInputElement || e instanceof HTMLSelectElement || e instanceof HTMLTextAreaElement;

const stateOf = (f: Field): string => (f instanceof HTMLInputElement && f.type === "checkbox" ? String(f.checked) : f.value);

const setState = (f: Field, from: Field): void => {
  if (f instanceof HTMLInputElement && from instanceof HTMLInputElement && f.type === "checkbox") f.checked = from.checked;
  else f.value = from.value;
};

const ids = (root: ParentNode): string =>
  [...root.querySelectorAll("[data-path],[data-path] [id],button[name=do]")].map((e) => e.id || e.getAttribute("value") || e.getAttribute("data-path")).join();

// cards keep the form of a card and its text together: a changed field is
// written into the text, a changed text fills the form again. The server does
// both; what is being typed meanwhile is never taken away.
export function cards(root: ParentNode, prepare: (root: ParentNode) => void): void {
  for (const box of fresh<HTMLElement>(root, "#card-form")) {
    const form = box.closest("form");
    if (!form) continue;
    const area = form.querySelector<HTMLTextAreaElement>("#text");
    const reading = form.querySelector<HTMLElement>("#reading");
    if (!area || !reading) continue;
    let turn = 0;
    let timer = 0;

    const fields = (): Field[] => [...box.querySelectorAll("[name]")].filter(isField).filter((f) => f.id !== "");

    // place takes the answer's form: in place where it has the same fields, else
    // as a whole, with what was folded open, and the focus, where they were.
    const place = (next: HTMLElement, sent: Map<string, string>): void => {
      const typing = document.activeElement;
      const kept = new Map<string, string>();
      for (const f of fields()) if (sent.has(f.id) && sent.get(f.id) !== stateOf(f)) kept.set(f.id, stateOf(f));
      const wasOpen = new Map([...box.querySelectorAll("details")].map((d) => [d.id, d.open]));
      const from = typing instanceof HTMLElement && box.contains(typing) ? typing.id : "";
      const range = typing instanceof HTMLInputElement || typing instanceof HTMLTextAreaElement ? [typing.selectionStart, typing.selectionEnd] : null;
      if (ids(next) === ids(box)) {
        for (const d of next.querySelectorAll("details")) {
          const mine = document.getElementById(d.id);
          if (mine instanceof HTMLDetailsElement) {
            mine.querySelector("summary")?.replaceWith(d.querySelector("summary") as Element);
            if (d.open && d.querySelector("[data-bad]")) mine.open = true;
          }
        }
        for (const f of next.querySelectorAll<HTMLElement>("[data-path]")) {
          const mine = box.querySelector<HTMLElement>(`[data-path="${f.dataset.path}"]`);
          if (!mine) continue;
          mine.toggleAttribute("data-bad", f.hasAttribute("data-bad"));
          mine.querySelector(".said")?.replaceWith(f.querySelector(".said") as Element);
          for (const g of f.querySelectorAll("[name]")) {
            const old = g.id ? document.getElementById(g.id) : null;
            if (!isField(g) || !isField(old)) continue;
            old.toggleAttribute("aria-invalid", false);
            if (g.hasAttribute("aria-invalid")) old.setAttribute("aria-invalid", "true");
            if (old instanceof HTMLSelectElement && g instanceof HTMLSelectElement && old.options.length !== g.options.length) old.replaceChildren(...g.options);
            if (!kept.has(g.id)) setState(old, g);
          }
        }
        const text = box.querySelector<HTMLTextAreaElement>("[name=formtext]");
        const other = next.querySelector<HTMLTextAreaElement>("[name=formtext]");
        if (text && other) text.value = other.value;
        box.querySelectorAll(".notice").forEach((n) => n.remove());
        next.querySelectorAll(".notice").forEach((n) => box.firstElementChild?.prepend(n));
        const set = box.querySelector("fieldset");
        if (set) set.disabled = next.querySelector("fieldset")?.disabled ?? false;
      } else {
        box.replaceChildren(...next.childNodes);
        for (const d of box.querySelectorAll("details")) if (wasOpen.has(d.id)) d.open = wasOpen.get(d.id) || d.querySelector("[data-bad]") !== null;
        for (const [id, value] of kept) {
          const f = document.getElementById(id);
          if (isField(f)) {
            if (f instanceof HTMLInputElement && f.type === "checkbox") f.checked = value === "true";
            else f.value = value;
          }
        }
        const back = from ? document.getElementById(from) : null;
        back?.focus();
        if (range && (back instanceof HTMLInputElement || back instanceof HTMLTextAreaElement)) back.setSelectionRange(range[0], range[1]);
      }
    };

    const ask = async (button?: HTMLButtonElement): Promise<void> => {
      const mine = ++turn;
      window.clearTimeout(timer);
      const body = new URLSearchParams();
      new FormData(form).forEach((v, k) => body.append(k, String(v)));
      const doing = button?.value ?? "";
      if (doing) body.set("do", doing);
      const text = area.value;
      const sent = new Map(fields().map((f) => [f.id, stateOf(f)]));
      const before = new Set(fields().map((f) => f.id));
      const res = await fetch("/cards/try", { method: "POST", body, headers: { "HX-Request": "true" } }).catch(() => null);
      if (mine !== turn || area.value !== text) return; // a later one is on its way
      if (!res || !res.ok) {
        if (res?.status === 401) location.assign("/signin");
        return;
      }
      const page = new DOMParser().parseFromString(await res.text(), "text/html");
      if (mine !== turn || area.value !== text) return;
      const next = page.getElementById("card-form");
      const said = page.getElementById("reading");
      const now = page.getElementById("text");
      if (!next || !said || !(now instanceof HTMLTextAreaElement)) return;
      if (now.value !== text) {
        const [a, b, top] = [area.selectionStart, area.selectionEnd, area.scrollTop];
        area.value = now.value;
        area.setSelectionRange(a, b);
        area.scrollTop = top;
      }
      place(next, sent);
      reading.replaceChildren(...said.childNodes);
      area.dispatchEvent(new Event("read"));
      prepare(form);
      if (doing.startsWith("add:")) {
        const added = fields().find((f) => !before.has(f.id));
        for (let d = added?.closest("details"); d; d = d.parentElement?.closest("details")) d.open = true;
        added?.focus();
      } else if (doing && !document.activeElement?.closest("form")) {
        box.querySelector<HTMLElement>("summary")?.focus();
      }
    };

    box.addEventListener("change", () => void ask());
    area.addEventListener("input", () => {
      window.clearTimeout(timer);
      turn++;
      timer = window.setTimeout(() => void ask(), 500);
    });
    form.addEventListener("submit", (e) => {
      const by = (e as SubmitEvent).submitter;
      if (by instanceof HTMLButtonElement && by.name === "do") {
        e.preventDefault();
        e.stopImmediatePropagation();
        if (by.value !== "apply") void ask(by);
        else if (isField(document.activeElement)) void ask();
      }
    }, true);
  }
}
