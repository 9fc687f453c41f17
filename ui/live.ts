// A board that follows what is noted elsewhere: the server says that there is
// something new, and the part is asked for again. Without the stream the part
// asks by itself now and then (hx-trigger in the page).
const open = new WeakSet<Element>();

export function boards(root: ParentNode): void {
  root.querySelectorAll<HTMLElement>("[data-live]").forEach((el) => {
    if (open.has(el) || !el.dataset.live) return;
    open.add(el);
    const source = new EventSource(el.dataset.live);
    let later = 0;
    source.addEventListener("noted", () => {
      window.clearTimeout(later);
      later = window.setTimeout(() => {
        if (!el.isConnected) source.close();
        else if (!el.contains(document.activeElement) || document.activeElement === document.body) el.dispatchEvent(new Event("noted"));
      }, 300);
    });
    window.addEventListener("pagehide", () => source.close(), { once: true });
  });
}
