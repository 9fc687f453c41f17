import { fresh } from "./once";

interface Place {
  tag: string;
  status?: string;
  diameter_cm: number;
}

// places: the line under a map says of the tree that is pointed at, or has the
// focus, what is known of it just now. It asks the interface for programs once,
// when it is first needed; without an answer the line stays as it is.
export function places(root: ParentNode): void {
  for (const line of fresh<HTMLElement>(root, "[data-places]")) {
    const stage = document.getElementById(line.dataset.of ?? "");
    const url = line.dataset.places;
    if (!stage || !url) continue;
    const hint = line.textContent;
    let known: Promise<Map<string, Place>> | null = null;
    const ask = (): Promise<Map<string, Place>> =>
      (known ??= fetch(url, { headers: { Accept: "application/json" } })
        .then((r): Promise<{ items: Place[] }> => (r.ok ? r.json() : Promise.reject(new Error(String(r.status)))))
        .then((list) => new Map(list.items.map((p) => [p.tag, p])))
        .catch(() => new Map<string, Place>()));
    let last = "";
    const show = async (e: Event): Promise<void> => {
      const href = e.target instanceof Element ? e.target.closest("a")?.getAttribute("href") : null;
      const tag = href ? (new URL(href, location.href).searchParams.get("tag") ?? "") : "";
      if (tag === last) return;
      last = tag;
      const p = tag ? (await ask()).get(tag) : undefined;
      if (tag !== last) return;
      if (!p) {
        line.textContent = hint;
        return;
      }
      const d = p.diameter_cm;
      const size = d === 0 ? (line.dataset.untaped ?? "") : line.dataset.us ? `${(d / 2.54).toFixed(1)} in` : `${d.toFixed(1)} cm`;
      const word = p.status ? (line.dataset[p.status] ?? p.status) : "";
      line.textContent = `${p.tag}: ${[size, word].filter(Boolean).join(", ")}`;
    };
    stage.addEventListener("pointerover", (e) => void show(e));
    stage.addEventListener("focusin", (e) => void show(e));
  }
}
