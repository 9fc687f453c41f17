import { fresh } from "./once";

// turned is the azimuth after a drag of dx px over a picture that shows 360
// degrees in width px: pulling the bark to the right brings the left into view.
// Azimuth falls from left to right on a trunk seen from outside.
export function turned(from: number, dx: number, width: number, step: number): number {
  const raw = from + (dx / Math.max(width, 1)) * 360;
  const snapped = Math.round(raw / step) * step;
  return ((snapped % 360) + 360) % 360;
}

// turns lets a person pull the trunk inside [data-turn] round; the slider named
// by data-turn does the same and asks the server for the new picture.
export function turns(root: ParentNode): void {
  for (const box of fresh<HTMLElement>(root, "[data-turn]")) {
    const input = () => document.getElementById(box.dataset.turn ?? "") as HTMLInputElement | null;
    let start: { x: number; from: number } | null = null;
    box.addEventListener("pointerdown", (e) => {
      const i = input();
      if (!i) return;
      start = { x: e.clientX, from: Number(i.value) };
      box.setPointerCapture(e.pointerId);
    });
    box.addEventListener("pointermove", (e) => {
      const i = input();
      if (!start || !i) return;
      const to = turned(start.from, e.clientX - start.x, box.clientWidth, Number(i.step) || 15);
      if (String(to) !== i.value) {
        i.value = String(to);
        i.dispatchEvent(new Event("input", { bubbles: true }));
      }
    });
    const end = (): void => { start = null; };
    box.addEventListener("pointerup", end);
    box.addEventListener("pointercancel", end);
  }
}
