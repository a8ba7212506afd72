// What this page was sent last is kept, so that it can be shown without a link. The
// page itself says that it is old: it hears nothing. Only pages and files are kept,
// nothing is told while the link is down.
"use strict";
self.addEventListener("install", (e) => {
  e.waitUntil(caches.open(BUILD).then((c) => c.addAll(FILES)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (e) => {
  e.waitUntil(caches.keys().then((names) => Promise.all(names.filter((n) => n !== BUILD).map((n) => caches.delete(n)))).then(() => self.clients.claim()));
});
self.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== location.origin) return;
  if (url.pathname.startsWith("/static/")) {
    e.respondWith(caches.match(e.request).then((hit) => hit || fetch(e.request)));
    return;
  }
  if (e.request.mode !== "navigate") return;
  e.respondWith(fetch(e.request).then((answer) => {
    if (answer.ok && !answer.redirected && url.pathname !== "/unlock") {
      const copy = answer.clone();
      e.waitUntil(caches.open(BUILD).then((c) => c.put(e.request, copy)));
    }
    return answer;
  }, async (err) => {
    const kept = await caches.match(e.request) || await caches.match("/");
    if (kept) return kept;
    throw err;
  }));
});
