import type { Event, Fault, Finding, Judgement, Pack, Tree, TreeLine, Day } from "./model";

interface GoRuntime { importObject: WebAssembly.Imports; run(i: WebAssembly.Instance): Promise<void> }
declare const Go: new () => GoRuntime;
declare global {
  interface Window { sapwardCore?: (name: string, arg: string) => string; sapwardReady?: () => void }
}

// load starts the core; it answers as soon as the promise is kept.
export async function load(url: string): Promise<void> {
  const go = new Go();
  const ready = new Promise<void>((done) => { window.sapwardReady = done; });
  let made: WebAssembly.WebAssemblyInstantiatedSource;
  try {
    made = await WebAssembly.instantiateStreaming(fetch(url), go.importObject);
  } catch { // an older browser, or a cache that lost the content type
    made = await WebAssembly.instantiate(await (await fetch(url)).arrayBuffer(), go.importObject);
  }
  void go.run(made.instance);
  await ready;
}

export class Faults extends Error {
  constructor(public list: Fault[]) { super(list.map((f) => f.id).join()); }
}

function call<T>(name: string, arg: object): T {
  const answer = JSON.parse(window.sapwardCore!(name, JSON.stringify(arg))) as T & { faults?: Fault[] };
  if (answer.faults && Object.keys(answer).length === 1) throw new Faults(answer.faults);
  return answer;
}

// raws puts events together whose JSON must go to the core as it was kept.
function raws(name: string, head: string, texts: string[]): { faults: Fault[]; added?: number; changed?: string[] } {
  return JSON.parse(window.sapwardCore!(name, `{${head}"events":[${texts.join()}]}`)) as { faults: Fault[]; added?: number; changed?: string[] };
}

export const core = {
  later: (pack: Pack, texts: string[]) => raws("later", `"pack":${JSON.stringify(pack)},`, texts), // trees are read when asked for
  more: (trees: number) => call<{ left: number; faults: Fault[] }>("more", { trees }),
  lines: (trees: string[]) => call<{ lines: TreeLine[] }>("line", { trees }).lines,
  add: (texts: string[]) => raws("add", "", texts),
  tree: (tree: string) => call<Tree>("tree", { tree }),
  day: () => call<Day>("day", {}),
  judge: (event: Event) => call<Judgement>("judge", { event }),
  may: (list: Event[]) => call<{ against: Finding[] }>("may", { list }).against,
  write: (list: Event[]) => call<{ list: { event: Event; text: string }[] }>("writes", { list }).list,
  goals: (tree: string, port: number) => call<{ goals: { port: number; volume_ul: number }[]; why: string }>("goals", { tree, port }),
};

export type { Finding };
