const seen = new WeakSet<Element>();

// fresh returns the elements that match and were not prepared before.
export function fresh<T extends Element>(root: ParentNode, selector: string): T[] {
  const out: T[] = [];
  root.querySelectorAll<T>(selector).forEach((e) => {
    if (!seen.has(e)) {
      seen.add(e);
      out.push(e);
    }
  });
  return out;
}
