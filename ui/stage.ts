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

const ways: Record<string, [number, number]> = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

// beside is the nearest of some things in a direction: what lies ahead, a step
// aside counting twice.
export function beside<T extends Element>(from: T, all: T[], [dx, dy]: [number, number]): T | null {
  const middle = (e: Element): [number, number] => {
    const r = e.getBoundingClientRect();
    return [r.x + r.width / 2, r.y + r.height / 2];
  };
  const [x, y] = middle(from);
  let best: T | null = null;
  let least = Infinity;
  for (const e of all) {
    if (e === from) continue;
    const [ex, ey] = middle(e);
    const ahead = (ex - x) * dx + (ey - y) * dy;
    const aside = Math.abs((ex - x) * dy) + Math.abs((ey - y) * dx);
    if (ahead > 0.5 && ahead + 2 * aside < least) {
      least = ahead + 2 * aside;
      best = e;
    }
  }
  return best;
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
    let dragged = false;
    stage.addEventListener("pointerdown", (e) => {
      if (e.target instanceof Element && e.target.closest("button")) return;
      if (!held.size) dragged = false;
      held.set(e.pointerId, { x: e.clientX, y: e.clientY });
    });
    stage.addEventListener("dragstart", (e) => e.preventDefault());
    // a drag that began on a dot does not open it
    stage.addEventListener("click", (e) => {
      if (dragged) e.preventDefault();
      dragged = false;
    }, true);
    stage.addEventListener("pointermove", (e) => {
      const was = held.get(e.pointerId);
      if (!was) return;
      if (!dragged && held.size === 1 && Math.hypot(e.clientX - was.x, e.clientY - was.y) < 4) return;
      if (!dragged) stage.setPointerCapture(e.pointerId);
      dragged = true;
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
      const dot = e.target instanceof Element ? e.target.closest<SVGAElement>("svg a") : null;
      if (dot && e.key in ways) { // from dot to dot; one of them is in the tab order
        e.preventDefault();
        const next = beside(dot, [...inSight()[0].querySelectorAll<SVGAElement>("a")], ways[e.key]);
        if (!next) return;
        dot.setAttribute("tabindex", "-1");
        next.setAttribute("tabindex", "0");
        next.focus({ preventScroll: true });
        const [at, r] = [next.getBoundingClientRect(), rect()];
        const [x, y] = [(at.x + at.width / 2 - r.x) / r.width, (at.y + at.height / 2 - r.y) / r.height];
        if (x < 0 || x > 1 || y < 0 || y > 1) move(x - 0.5, y - 0.5);
        next.scrollIntoView({ block: "nearest" });
        return;
      }
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
