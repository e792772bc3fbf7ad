// Keeps the technician's pages on the phone, so that they are there without signal.
//
// Pages come from the network when it answers in time, and from what was kept when it does not. What
// is kept: every page that was opened, and those that a page of the day names (the stops' forms,
// tomorrow). Nothing that is sent passes through here: technician.js queues it.

const KEPT = "hotspell-kept-1";
/** A phone at the edge of the signal waits for ever; people do not. */
const PATIENCE_MILLISECONDS = 4000;

addEventListener("install", () => skipWaiting());

addEventListener("activate", (event) => {
  const others = async () => {
    const names = await caches.keys();
    await Promise.all(names.filter((name) => name !== KEPT).map((name) => caches.delete(name)));
    await clients.claim();
  };
  event.waitUntil(others());
});

addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (request.mode === "navigate") event.respondWith(page(request));
  else if (url.pathname.startsWith("/assets/")) event.respondWith(asset(request));
});

/** Messages of a page: `keep` names addresses to have, `only` that other pages may go. */
addEventListener("message", (event) => {
  const { keep, only } = event.data;
  event.waitUntil(keepAll(keep, only));
});

async function page(request) {
  const kept = await caches.open(KEPT);
  try {
    const answer = await fetch(request, { signal: AbortSignal.timeout(PATIENCE_MILLISECONDS) });
    if (answer.ok && !answer.redirected) await kept.put(request.url, answer.clone());
    return answer;
  } catch {
    return (await kept.match(request.url)) ?? notHere();
  }
}

/** The address of an asset changes with its content: what is kept never goes stale. */
async function asset(request) {
  const kept = await caches.open(KEPT);
  const known = await kept.match(request.url);
  if (known) return known;
  const answer = await fetch(request);
  if (answer.ok) await kept.put(request.url, answer.clone());
  return answer;
}

async function keepAll(addresses, only) {
  const kept = await caches.open(KEPT);
  const wanted = new Set(addresses.map((address) => new URL(address, location.origin).href));
  for (const address of wanted) {
    try {
      const answer = await fetch(address, { credentials: "same-origin" });
      if (answer.ok && !answer.redirected) await kept.put(address, answer);
    } catch {
      return; // No signal: what was kept before stays.
    }
  }
  if (!only) return;
  for (const request of await kept.keys()) {
    if (!wanted.has(request.url)) await kept.delete(request);
  }
}

function notHere() {
  const text =
    '<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">' +
    '<meta name="viewport" content="width=device-width, initial-scale=1">' +
    "<title>Not on this phone</title></head><body><main><h1>Not on this phone</h1>" +
    "<p>There is no signal, and this page was not opened before.</p>" +
    '<p><a href="/technician/today">Back to the day</a></p></main></body></html>';
  return new Response(text, {
    status: 503,
    headers: { "Content-Type": "text/html; charset=utf-8" },
  });
}
