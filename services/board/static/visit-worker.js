// Keeps the visit page and what it needs, so that it opens without a
// connection. Everything else goes to the server as it is.
"use strict";
const store = "creepage-visit-1";
const wanted = ["/static/board.css", "/static/board.js", "/static/visit.js", "/static/mark.svg"];
self.addEventListener("install", (e) => e.waitUntil(caches.open(store).then((c) => c.addAll(wanted)).then(() => self.skipWaiting())));
self.addEventListener("activate", (e) => e.waitUntil(self.clients.claim()));
self.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  const visit = url.pathname === "/visit";
  if (e.request.method !== "GET" || url.origin !== location.origin || !(visit || wanted.includes(url.pathname))) return;
  e.respondWith((async () => {
    const cache = await caches.open(store);
    try {
      const res = await fetch(e.request);
      if (res.ok && !res.redirected) await cache.put(e.request, res.clone());
      return res;
    } catch (err) {
      const kept = await cache.match(e.request);
      if (kept) return kept;
      throw err;
    }
  })());
});
