import { fresh } from "./once";

interface Box { x: number; y: number; w: number; h: number }

// clampBox keeps a view inside the whole picture and between its size and a
// fortieth of it.
export function clampBox(b: Box, all: Box): Box {
  const w = Math.min(all.w, Math.max(all.w / 40, b.w));
  const h = (w * all.h) / all.w;
  return {
    x: Math.min(all.x + all.w - w, Math.max(all.x, b.x)),
    y: Math.min(all.y + all.h - h, Math.max(all.y, b.y)),
    w,
    h,
  };
}

// zoomBox scales a view about a point given as fractions of the view.
export function zoomBox(b: Box, all: Box, factor: number, fx: number, fy: number): Box {
  const w = Math.min(all.w, Math.max(all.w / 40, b.w * factor));
  const h = (w * all.h) / all.w;
  return clampBox({ x: b.x + (b.w - w) * fx, y: b.y + (b.h - h) * fy, w, h }, all);
}

// stages lets a person drag and zoom the drawing inside [data-stage]. Buttons
// with data-stage-do do the same without dragging (WCAG 2.5.7), arrow keys too.
export function stages(root: ParentNode): void {
  for (const stage of fresh<HTMLElement>(root, "[data-stage]")) {
    // A stage may hold a wide and a narrow drawing; the one in sight moves.
    const views = new Map<SVGSVGElement, { all: Box; view: Box }>();
    stage.querySelectorAll("svg").forEach((svg) => {
      const vb = svg.viewBox.baseVal;
      if (vb && vb.width) {
        const all: Box = { x: vb.x, y: vb.y, w: vb.width, h: vb.height };
        views.set(svg, { all, view: { ...all } });
      }
    });
    if (!views.size) continue;
    const inSight = (): [SVGSVGElement, { all: Box; view: Box }] =>
      [...views].find(([svg]) => svg.getClientRects().length > 0) ?? [...views][0];
    const rect = (): DOMRect => inSight()[0].getBoundingClientRect();
    const show = (next: (v: { all: Box; view: Box }) => Box): void => {
      const [svg, v] = inSight();
      v.view = clampBox(next(v), v.all);
      svg.setAttribute("viewBox", `${v.view.x} ${v.view.y} ${v.view.w} ${v.view.h}`);
    };
    const whole = (): void => show((v) => v.all);
    const zoom = (f: number, fx = 0.5, fy = 0.5): void => show((v) => zoomBox(v.view, v.all, f, fx, fy));
    const move = (dx: number, dy: number): void => show((v) => ({ ...v.view, x: v.view.x + dx * v.view.w, y: v.view.y + dy * v.view.h }));
    const isWhole = (): boolean => { const [, v] = inSight(); return v.view.w >= v.all.w; };

    const held = new Map<number, { x: number; y: number }>();
    stage.addEventListener("pointerdown", (e) => {
      if (e.target instanceof Element && e.target.closest("a,button")) return;
      held.set(e.pointerId, { x: e.clientX, y: e.clientY });
      stage.setPointerCapture(e.pointerId);
    });
    stage.addEventListener("pointermove", (e) => {
      const was = held.get(e.pointerId);
      if (!was) return;
      const r = rect();
      if (held.size === 1) {
        move(-(e.clientX - was.x) / r.width, -(e.clientY - was.y) / r.height);
      } else {
        const other = [...held.entries()].find(([id]) => id !== e.pointerId)?.[1];
        if (other) {
          const before = Math.hypot(was.x - other.x, was.y - other.y);
          const now = Math.hypot(e.clientX - other.x, e.clientY - other.y);
          if (now > 8) zoom(before / now, (other.x - r.left) / r.width, (other.y - r.top) / r.height);
        }
      }
      held.set(e.pointerId, { x: e.clientX, y: e.clientY });
    });
    const lift = (e: PointerEvent): void => void held.delete(e.pointerId);
    stage.addEventListener("pointerup", lift);
    stage.addEventListener("pointercancel", lift);
    stage.addEventListener("wheel", (e) => {
      if (!e.ctrlKey && !e.metaKey && isWhole() && e.deltaY > 0) return; // the page scrolls on
      e.preventDefault();
      const r = rect();
      zoom(Math.exp(e.deltaY * 0.0015), (e.clientX - r.left) / r.width, (e.clientY - r.top) / r.height);
    }, { passive: false });
    stage.addEventListener("keydown", (e) => {
      const d = 0.15;
      const act: Record<string, () => void> = {
        "+": () => zoom(0.7), "=": () => zoom(0.7), "-": () => zoom(1 / 0.7), "0": whole,
        ArrowLeft: () => move(-d, 0), ArrowRight: () => move(d, 0), ArrowUp: () => move(0, -d), ArrowDown: () => move(0, d),
      };
      const f = act[e.key];
      if (f) {
        e.preventDefault();
        f();
      }
    });
    document.querySelectorAll<HTMLButtonElement>(`[data-stage-for="${stage.id}"]`).forEach((b) => {
      b.hidden = false;
      b.addEventListener("click", () => {
        const act: Record<string, () => void> = {
          in: () => zoom(0.7), out: () => zoom(1 / 0.7), whole,
          left: () => move(-0.2, 0), right: () => move(0.2, 0), up: () => move(0, -0.2), down: () => move(0, 0.2),
        };
        act[b.dataset.stageDo ?? "whole"]?.();
      });
    });
  }
}
