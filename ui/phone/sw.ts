// The service worker keeps the page's own files so that they open without
// signal. It holds no data: notes live in the page's store. A new version waits
// until the page says that nobody is writing.
declare const SHELF: { version: string; files: string[] };
interface Worker {
  registration: { scope: string };
  clients: { claim(): Promise<void> };
  skipWaiting(): Promise<void>;
  addEventListener(kind: "install" | "activate", f: (e: { waitUntil(p: Promise<unknown>): void }) => void): void;
  addEventListener(kind: "fetch", f: (e: { request: Request; respondWith(p: Promise<Response>): void }) => void): void;
  addEventListener(kind: "message", f: (e: { data: unknown; waitUntil(p: Promise<unknown>): void }) => void): void;
}
const worker = self as unknown as Worker;
const shelf = `sapward-phone-${SHELF.version}`;

worker.addEventListener("install", (e) => {
  e.waitUntil(caches.open(shelf).then((c) => c.addAll(SHELF.files.map((f) => new Request(new URL(f, worker.registration.scope), { cache: f === "./" ? "reload" : "default" })))));
});
worker.addEventListener("activate", (e) => {
  e.waitUntil((async () => {
    for (const name of await caches.keys()) if (name.startsWith("sapward-phone-") && name !== shelf) await caches.delete(name);
    await worker.clients.claim();
  })());
});
worker.addEventListener("message", (e) => {
  if (e.data === "use") e.waitUntil(worker.skipWaiting());
});
worker.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  const scope = new URL(worker.registration.scope);
  if (e.request.method !== "GET" || url.origin !== scope.origin || !url.pathname.startsWith(scope.pathname)) return;
  const name = url.pathname.slice(scope.pathname.length);
  if (name !== "" && !SHELF.files.some((f) => f === name + url.search)) return; // data: the page's own business
  e.respondWith((async () => (await (await caches.open(shelf)).match(name === "" ? scope.href : e.request)) ?? fetch(e.request))());
});
