import { fresh } from "./once";

// lineStart is the index of the first character of a line counted from 1.
export function lineStart(text: string, line: number): number {
  let at = 0;
  for (let n = 1; n < line; n++) {
    const next = text.indexOf("\n", at);
    if (next < 0) return at;
    at = next + 1;
  }
  return at;
}

// editors number the lines of a text, keep the numbers beside it, and take the
// reader to the line a problem names.
export function editors(root: ParentNode): void {
  for (const box of fresh<HTMLElement>(root, "[data-lined]")) {
    const area = box.querySelector("textarea");
    const gutter = box.querySelector("pre");
    if (!area || !gutter) continue;
    const bad = (): Set<number> => new Set((document.querySelector<HTMLElement>("[data-bad-lines]")?.dataset.badLines ?? "").split(",").map(Number));
    const number = (): void => {
      const n = area.value.split("\n").length;
      const marks = bad();
      const state = `${n}:${[...marks].join()}`;
      if (gutter.dataset.state !== state) {
        gutter.dataset.state = state;
        gutter.replaceChildren(...Array.from({ length: n }, (_, i) => {
          const line = document.createElement("span");
          line.textContent = `${marks.has(i + 1) ? "\u00d7 " : ""}${i + 1}\n`;
          if (marks.has(i + 1)) line.className = "bad";
          return line;
        }));
      }
      gutter.scrollTop = area.scrollTop;
    };
    document.addEventListener("htmx:afterSettle", number);
    area.addEventListener("read", number);
    area.addEventListener("input", number);
    area.addEventListener("scroll", () => { gutter.scrollTop = area.scrollTop; });
    number();
  }
  for (const link of fresh<HTMLAnchorElement>(root, "a[data-line]")) {
    link.addEventListener("click", (e) => {
      const area = document.querySelector<HTMLTextAreaElement>("[data-lined] textarea");
      if (!area) return;
      e.preventDefault();
      const line = Number(link.dataset.line);
      const at = lineStart(area.value, line);
      const end = area.value.indexOf("\n", at);
      area.focus();
      area.setSelectionRange(at, end < 0 ? area.value.length : end);
      const height = parseFloat(getComputedStyle(area).lineHeight) || 20;
      area.scrollTop = Math.max(0, (line - 4) * height);
    });
  }
}
