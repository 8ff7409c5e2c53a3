// Answers for the self-screen where the network does not: with the kept page and its own files, and with nothing else.
// A server that answers is always believed, whatever it says; see offline.js for what is kept.

self.addEventListener("install", () => self.skipWaiting());
self.addEventListener("fetch", (event) => {
  const { request } = event;
  const ours = request.mode === "navigate" || new URL(request.url).pathname.startsWith("/static/");
  if (request.method !== "GET" || !ours) return;
  event.respondWith(fetch(request).catch(async (lost) => {
    const kept = await caches.match(request, { ignoreVary: true });
    if (kept) return kept;
    throw lost;
  }));
});
