// Keeps the rep's pages readable without signal. Photos and forms wait in the page's own queue, not here.

const STATIC = "eavefall-static";
const PAGES = "eavefall-pages";
const SITE = location.pathname.slice(0, -"/sw.js".length);
const SHELL = `${SITE}/rep/offline`;
const PATIENCE_MS = 6000;

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(PAGES).then((cache) => cache.add(SHELL)).then(() => self.skipWaiting()));
});
self.addEventListener("activate", (event) => event.waitUntil(self.clients.claim()));

async function fromNetwork(request, name) {
  const answer = await fetch(request);
  if (answer.ok && answer.type === "basic" && !answer.redirected) {
    const cache = await caches.open(name);
    // A page that broke off on its way is given up for the kept one; a full phone must not cost a whole page.
    await cache.put(request, answer.clone()).catch((problem) => {
      if (problem.name !== "QuotaExceededError") throw problem;
    });
  }
  return answer;
}

function patience() {
  return new Promise((_, reject) => setTimeout(() => reject(new Error("slow")), PATIENCE_MS));
}

async function page(request) {
  const answer = fromNetwork(request, PAGES);
  try {
    return await Promise.race([answer, patience()]);
  } catch {
    const kept = await caches.match(request, { ignoreVary: true });
    if (kept) return kept;
    // A slow page is still worth waiting for when nothing is kept.
    return answer.catch(async () => (/\/rep(\/|$)/.test(new URL(request.url).pathname) && (await caches.match(SHELL))) || Response.error());
  }
}

async function file(request) {
  return (await caches.match(request, { ignoreVary: true })) || fromNetwork(request, STATIC);
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  const place = url.pathname.slice(SITE.length);
  if (place.startsWith("/static/")) {
    // An unversioned module may change under the same address: network first, the kept copy without signal.
    event.respondWith(url.search ? file(request) : fromNetwork(request, STATIC).catch(() => caches.match(request)));
  } else if (request.mode === "navigate" && (place === "/rep" || /^\/(rep|h)\//.test(place)) && !/\.(pdf|json|html)$/.test(place)) {
    event.respondWith(page(request));
  }
});
