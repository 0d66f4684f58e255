// Keeps the pages of service calls and visits, and the files that they load, for when there is no signal.
// With signal every page comes from the service, and what is kept is what came last. It sends nothing:
// what was typed is for the page. The service writes two lines before this one: files and version.
"use strict";
const pages = "dewline-visits", shell = "dewline-files-", most = 40, patience = 6000, fresh = 30 * 60e3;

self.addEventListener("install", (e) => e.waitUntil((async () => {
  await (await caches.open(shell + version)).addAll(files);
  await self.skipWaiting();
})()));

// A page that was kept loads files of its own version: it is fetched anew before those of old go.
self.addEventListener("activate", (e) => e.waitUntil((async () => {
  await self.clients.claim();
  const old = (await caches.keys()).filter((name) => name.startsWith(shell) && name !== shell + version);
  if (!old.length) return;
  for (const request of await (await caches.open(pages)).keys()) if (!(await keep(request.url))) return;
  await Promise.all(old.map((name) => caches.delete(name)));
})()));

// keep fetches a page and keeps it.
const keep = async (address) => {
  try {
    await put(address, await fetch(address, { redirect: "manual", headers: { Accept: "text/html" } }));
    return true;
  } catch {
    return false;
  }
};

// put keeps what is a page, and drops what is none any more. Who is not signed in keeps nothing.
const put = async (address, answer) => {
  if (answer.type === "opaqueredirect" || answer.status === 401) return caches.delete(pages);
  const cache = await caches.open(pages);
  if (answer.status === 403 || answer.status === 404) return cache.delete(address);
  if (answer.status !== 200 || !(answer.headers.get("Content-Type") || "").startsWith("text/html")) return;
  await cache.put(address, answer);
  const all = await cache.keys();
  for (const request of all.slice(0, Math.max(0, all.length - most))) await cache.delete(request);
};

const nothing = () => new Response(
  "<!doctype html><html lang=en><meta charset=utf-8><meta name=viewport content='width=device-width'><title>No signal</title>" +
  "<h1>No signal</h1><p>This page was not opened on this phone before, so there is nothing to show of it. What you typed elsewhere is kept.</p><p><a href=/calls>To the calls</a></p>",
  { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });

const page = async (request) => {
  const cache = await caches.open(pages);
  const kept = (await cache.match(request.url)) || (await cache.match(request.url, { ignoreSearch: true }));
  const fresh = fetch(request);
  fresh.catch(() => {});
  try {
    const answer = await (kept ? Promise.race([fresh, new Promise((_, no) => setTimeout(no, patience))]) : fresh);
    await put(request.url, answer.clone());
    return answer;
  } catch {
    return kept || nothing();
  }
};

self.addEventListener("fetch", (e) => {
  const { request } = e, address = new URL(request.url);
  if (request.method !== "GET" || address.origin !== location.origin) return;
  if (request.mode === "navigate") e.respondWith(page(request));
  else if (address.pathname.startsWith("/assets/")) e.respondWith(caches.match(request).then((kept) => kept || fetch(request)));
});

self.addEventListener("message", (e) => {
  const addresses = (e.data?.keep || []).slice(0, most);
  e.waitUntil((async () => {
    const cache = await caches.open(pages);
    for (const path of addresses) {
      const address = new URL(path, location.origin).href, kept = await cache.match(address);
      if (!kept || Date.now() - Date.parse(kept.headers.get("Date")) > fresh) await keep(address);
    }
  })());
});
