// Keeps the page's own files on the phone, under their version, and opens the page where there is no signal.
// Nothing else is ever kept here: no answer, no photo and no page of a lot. `KEPT` is written above this by the
// server. A new version waits until the page says that no unit is in hand.

const NAME = `plugface-${KEPT.version}`;
const LASTING = "plugface-by-digest"; // large files whose address says what they are: a new version may need the same
const PATIENCE_MS = 10_000; // a signal that gets nowhere for so long is none

self.addEventListener("install", (event) => {
  const fresh = [...KEPT.files, KEPT.offline].map((file) => new Request(file, { cache: "reload", credentials: "omit" }));
  // All of it or nothing: where one file fails, the version that is there stays.
  event.waitUntil(caches.open(NAME).then((kept) => kept.addAll(fresh)));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      const old = (await caches.keys()).filter((name) => name.startsWith("plugface-") && ![NAME, LASTING].includes(name));
      await Promise.all(old.map((name) => caches.delete(name)));
      if (await caches.has(LASTING)) await dropForeign();
      await self.clients.claim(); // the page that is open is served from here, too
    })(),
  );
});

async function dropForeign() {
  const lasting = await caches.open(LASTING);
  const gone = (await lasting.keys()).filter(({ url }) => !KEPT.lasting.includes(new URL(url).pathname));
  await Promise.all(gone.map((request) => lasting.delete(request)));
  if (!KEPT.lasting.length) await caches.delete(LASTING);
}

self.addEventListener("message", (event) => {
  if (event.data === "take over") self.skipWaiting();
  if (event.data === "helpers") event.waitUntil(keepHelpers());
});

async function keepHelpers() {
  const kept = await caches.open(NAME);
  for (const file of KEPT.helpers) if (!(await kept.match(file))) await kept.add(file).catch(() => {});
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const { origin, pathname } = new URL(request.url);
  if (request.method !== "GET" || origin !== self.location.origin) return;
  if (request.mode === "navigate") event.respondWith(open(request));
  else if (KEPT.late.includes(pathname)) event.respondWith(takeLate(pathname, request, event));
  else if (KEPT.files.includes(pathname) || KEPT.helpers.includes(pathname)) event.respondWith(take(pathname, request));
});

// A page comes from the server, whatever it says: only where nobody answers the one that is kept is opened.
async function open(request) {
  const ending = new AbortController();
  const timer = setTimeout(() => ending.abort(), PATIENCE_MS);
  try {
    return await fetch(request, { signal: ending.signal });
  } catch (error) {
    const kept = await (await caches.open(NAME)).match(KEPT.offline);
    if (kept) return kept;
    throw error;
  } finally {
    clearTimeout(timer);
  }
}

async function take(pathname, request) {
  return (await (await caches.open(NAME)).match(pathname)) ?? fetch(request);
}

// Kept once it was asked for: what a phone never uses is never fetched.
async function takeLate(pathname, request, event) {
  const cache = await caches.open(KEPT.lasting.includes(pathname) ? LASTING : NAME);
  const kept = await cache.match(pathname);
  if (kept) return kept;
  const fresh = await fetch(request);
  if (fresh.ok) event.waitUntil(cache.put(pathname, fresh.clone()).catch(() => {})); // no room: it serves this once
  return fresh;
}
