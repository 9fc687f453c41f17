import { button, h, sheet } from "./dom";
import { field } from "./keys";
import { state } from "./state";
import * as store from "./store";
import { say } from "./words";

// loadOf is the container product is taken from now.
export function loadOf(): { container?: string; lot?: string } {
  const c = state.container;
  return { container: c.container || undefined, lot: c.lot || undefined };
}

export async function setContainer(container: string, lot: string): Promise<void> {
  state.container = { container, lot };
  await store.put("container", state.container);
}

// withContainer asks once which container is in use; later loads take the same
// until it is changed.
export async function withContainer(run: () => Promise<void>): Promise<void> {
  if (state.container.container) return run();
  askContainer(run);
}

export function askContainer(then?: () => Promise<void>): void {
  sheet(say("phone-which-can"), (close) => {
    const c = field(say("phone-can-number"), { value: state.container.container });
    const l = field(say("phone-lot"), { value: state.container.lot });
    return [h("p", null, say("phone-check-can", { product: state.pack!.product.name, number: state.pack!.product.registration })), c.node, l.node,
      button("main", say("phone-use-can"), async () => {
        if (!c.input.value.trim()) { c.input.focus(); return; }
        await setContainer(c.input.value.trim(), l.input.value.trim());
        close();
        await then?.();
      })];
  });
}
