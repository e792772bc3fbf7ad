// The service's clock on the phone: readings say when they were taken, sent hours later.
//
// Phones may go wrong, and a page may be older than it looks; so what counts is the phone's clock
// moved by how far it was from the service's when a page last came fresh from there.

const NAME = "hotspell clock offset milliseconds";

/** Learns from a page that has just come from the service. */
export function learn(page) {
  const made = page.querySelector("[data-made]")?.dataset.made;
  if (made) localStorage.setItem(NAME, String(Date.parse(made) - Date.now()));
}

/** Whether it has learned. */
export const isKnown = () => localStorage.getItem(NAME) !== null;

/** Now, by the service's clock. */
export const now = () => new Date(Date.now() + Number(localStorage.getItem(NAME) ?? 0));

/** Today in a time zone (IANA), such as 2025-04-02. */
export function today(timeZone) {
  const parts = { timeZone, year: "numeric", month: "2-digit", day: "2-digit" };
  return new Intl.DateTimeFormat("en-CA", parts).format(now());
}
