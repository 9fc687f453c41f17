import { fresh } from "./once";

// notices: problems take the focus when a page opens with them; a toast can be
// put away; an upload shows how far it is.
export function notices(root: ParentNode): void {
  for (const box of fresh<HTMLElement>(root, "#faults")) {
    box.focus();
  }
  for (const b of fresh<HTMLButtonElement>(root, "[data-close]")) {
    b.hidden = false;
    b.addEventListener("click", () => b.closest(".toast")?.remove());
  }
  for (const form of fresh<HTMLFormElement>(root, "form[data-once]")) {
    // one press, one request: a second press while it runs does nothing
    form.addEventListener("submit", (e) => {
      if (form.dataset.sent) {
        e.preventDefault();
        return;
      }
      form.dataset.sent = "1";
      const busy = form.querySelector<HTMLElement>("[data-busy]");
      if (busy) busy.hidden = false;
    });
  }
  for (const box of fresh<HTMLDetailsElement>(root, "details[data-fold]")) {
    // on a phone the answer comes first and the choices open at a touch
    if (window.matchMedia("(max-width: 52rem)").matches) box.open = false;
  }
  for (const sel of fresh<HTMLElement>(root, "[data-submit-on-change]")) {
    sel.addEventListener("change", () => sel.closest("form")?.requestSubmit());
  }
}

window.addEventListener("pageshow", () => {
  document.querySelectorAll<HTMLFormElement>("form[data-sent]").forEach((f) => { delete f.dataset.sent; });
});
