// The technician's pages without signal: pages are kept, entries wait, nothing typed is lost.
//
// Without this script the pages work as they are, as long as there is signal.

import * as clock from "./clock.js";
import * as outbox from "./outbox.js";
import * as photos from "./photos.js";

/** What this script needs: kept on the phone with the pages. */
const MODULES = ["./clock.js", "./outbox.js", "./photos.js"];

/** How often waiting entries are tried again while a page is open. */
const RETRY_MILLISECONDS = 15000;

/** How long the form waits to learn the service's clock. */
const CLOCK_MILLISECONDS = 3000;

const form = document.querySelector("form.check");
const waiting = document.getElementById("waiting");
const mends = /^#mend-(\d+)$/.exec(location.hash);
let mended = mends === null ? null : Number(mends[1]);

function made(tag, text, more = {}) {
  return Object.assign(document.createElement(tag), { textContent: text }, more);
}

/** Shows what waits, and why; `kept` when something was added just now. */
async function show(outcome, kept = false) {
  const all = await outbox.entries();
  waiting.hidden = all.length === 0;
  if (waiting.hidden) return;
  const open = all.filter((entry) => !entry.refused).length;
  const why = {
    "no-signal": "They are sent when there is signal again.",
    "signed-out": "Your session has ended: sign in again and they are sent.",
  };
  waiting.replaceChildren(made("h2", `${all.length} on this phone, not with the office yet`));
  if (kept) waiting.append(made("p", "Kept on this phone. The form below is empty again."));
  if (open > 0) waiting.append(made("p", why[outcome] ?? "They are being sent."));
  const list = made("ul", "");
  for (const entry of all) list.append(item(entry));
  waiting.append(list);
  if (outcome === "signed-out") {
    const next = encodeURIComponent(location.pathname + location.search);
    const link = made("a", "Sign in", { href: `/sign-in?next=${next}`, className: "button" });
    waiting.append(link);
  } else if (open > 0) {
    waiting.append(made("button", "Send now", { type: "button", onclick: trySending }));
  }
}

/** What an entry holds, in a few words. */
function held({ fields }) {
  const typed = fields.filter(([name, value]) => value.trim() !== "" && !name.endsWith(".taken_at"));
  const said = (name, value) => typed.some(([it, is]) => it === name && (!value || is === value));
  const parts = new Set();
  for (const [name, value] of typed) {
    const [part, what] = name.split(".");
    if (part.startsWith("part") && !(what === "replaced" && value === "no")) parts.add(part);
  }
  const words = [];
  if (parts.size > 0) words.push(parts.size === 1 ? "1 part" : `${parts.size} parts`);
  if (typed.some(([name]) => /^used\d+\.class$/.test(name))) words.push("other parts used");
  if (said("again.reason")) words.push("a return visit");
  if (said("note")) words.push("a note");
  if (said("finish", "yes")) words.push("visit finished");
  return words.length > 0 ? `: ${words.join(", ")}` : "";
}

function item(entry) {
  const time = new Date(entry.at).toLocaleTimeString([], { hour: "numeric", minute: "2-digit" });
  const { photo, refused } = entry;
  const what = photo ? `photo taken ${time}` : `entered ${time}${held(entry)}`;
  const line = made("li", `${entry.household}, ${what} `);
  if (!photo && !refused) return line;
  for (const sentence of refused ?? []) line.append(made("p", sentence));
  if (!photo) line.append(made("a", "Mend it", { href: `${entry.path}#mend-${entry.number}` }), " ");
  const remove = async () => {
    const what = photo ? "the photo of" : "what you entered for";
    if (!confirm(`Throw away ${what} ${entry.household}?`)) return;
    await outbox.discard(entry.number);
    await show();
  };
  line.append(made("button", "Throw away", { type: "button", className: "quiet", onclick: remove }));
  return line;
}

async function trySending() {
  const outcome = await outbox.send();
  await show(outcome);
  return outcome;
}

/** Everything typed, without what belongs to the page itself. */
function typed(submitter) {
  const data = new FormData(form, submitter);
  data.delete(form.querySelector("input[data-token]").name);
  return [...data.entries()].map(([name, value]) => [name, String(value)]);
}

/** Puts values back into the form. */
function refill(fields) {
  for (const box of form.querySelectorAll("input[type=checkbox]")) {
    box.checked = fields.some(([name, value]) => name === box.name && value === box.value);
    if (box.checked) unfold(box);
  }
  for (const [name, value] of fields) {
    const field = form.elements.namedItem(name);
    if (!(field instanceof Element) || field.type === "checkbox") continue;
    const typed = field.type !== "hidden";
    if (!typed && !("taken" in field.dataset)) continue;
    if (typed && field.value !== value) unfold(field);
    field.value = value;
  }
  form.querySelectorAll("[data-due-below]").forEach(judge);
  form.querySelectorAll("input[data-fits]").forEach(judgeRating);
}

/** The form as it came, for what is entered next. */
function clear() {
  form.reset();
  // Hidden fields keep their value.
  for (const taken of form.querySelectorAll("input[data-taken]")) taken.value = "";
  form.querySelectorAll("[data-due-below]").forEach(judge);
  form.querySelectorAll("input[data-fits]").forEach(judgeRating);
  setDay();
}

function unfold(field) {
  const part = field.closest("details");
  if (part) part.open = true;
}

/** What the numbers of a section say, at once. The limits are the service's. */
function judge(section) {
  const [metered, volts, amperes] = ["uf", "v", "a"].map((what) => {
    const text = section.querySelector(`input[name$=".${what}"]`).value.trim().replace(",", ".");
    return text === "" ? Number.NaN : Number(text);
  });
  const { dueBelow, outBelow, microfaradsPerAmperePerVolt } = section.dataset;
  const loaded = (Number(microfaradsPerAmperePerVolt) * amperes) / volts;
  const microfarads = Number.isNaN(metered) ? loaded : metered;
  let verdict = "";
  if (microfarads > 0) {
    verdict = microfarads < Number(outBelow) ? "out" : "good";
    if (verdict === "good" && microfarads < Number(dueBelow)) verdict = "due";
  }
  for (const said of section.querySelectorAll("[data-verdict]")) {
    said.hidden = said.dataset.verdict !== verdict;
  }
}

/** A rating in the service's spelling. */
function plainRating(text) {
  const spaced = text.replace(/[µμ]/g, "u").replace(/uf|mfd/gi, " uF ").replace(/v/gi, " V ");
  const [farads, ...rest] = spaced.trim().split(/\s+/);
  const numbers = farads.replaceAll(",", ".").split("+").map(Number);
  return [numbers.join("+"), ...rest].join(" ");
}

/** Whether the new part may go where the old one was, at once. The list is the service's. */
function judgeRating(field) {
  const part = field.closest("details");
  const chosen = part.querySelector("select[name$='.replaced']").value !== "no";
  const overridden = Boolean(part.querySelector("input[name$='.override']")?.value.trim());
  const fits = field.dataset.fits.split("|").includes(plainRating(field.value));
  const wrong = chosen && field.value.trim() !== "" && !fits && !overridden;
  const misfit = part.querySelector("[data-misfit]");
  misfit.hidden = !wrong;
  field.setAttribute("aria-invalid", String(wrong));
  field.setCustomValidity(wrong ? misfit.textContent : "");
}

/** When something was entered for a part first: that is when it was measured. */
function stamp(field) {
  const taken = field.closest("details")?.querySelector("input[data-taken]");
  if (taken && taken.value === "") taken.value = clock.now().toISOString();
}

/** The form may have been kept before the day on which it is filled. */
function setDay() {
  const { visitDay, timeZone } = form.dataset;
  const day = form.elements.namedItem("day");
  const today = clock.today(timeZone);
  if (today <= day.max) return;
  day.max = today;
  day.value = visitDay !== "" && visitDay <= today ? visitDay : today;
}

async function submitted(event) {
  event.preventDefault();
  const fields = typed(event.submitter).filter(([name]) => name !== "client_key");
  fields.push(["client_key", `phone/${crypto.randomUUID()}`]);
  const { pathname: path } = location;
  const household = document.querySelector("h1").textContent.trim();
  const number = await outbox.keep({ path, household, fields, at: Date.now() }, mended);
  mended = null;
  form.querySelectorAll("button").forEach((button) => (button.disabled = true));
  const outcome = await trySending();
  const left = await outbox.entry(number);
  if (left) {
    // What was refused stays in the form: sent again, it takes the refused one's place.
    if (left.refused) mended = number;
    else {
      clear();
      await show(outcome, true);
    }
    waiting.scrollIntoView();
    waiting.focus();
    form.querySelectorAll("button").forEach((button) => (button.disabled = false));
  } else location.assign(`${path}/result`);
}

async function startForm() {
  const { pathname: path } = location;
  setDay();
  const before = mended === null ? await outbox.draft(path) : await outbox.entry(mended);
  if (before) refill(before.fields);
  form.addEventListener("input", (event) => {
    if (!event.target.name) return;
    const section = event.target.closest("[data-due-below]");
    if (section) judge(section);
    const rating = event.target.closest("details")?.querySelector("input[data-fits]");
    if (rating) judgeRating(rating);
    stamp(event.target);
    outbox.keepDraft(path, typed(null));
  });
  // What is wrong may lie in a part that is folded.
  form.addEventListener("invalid", (event) => unfold(event.target), true);
  form.addEventListener("submit", submitted);
}

/** Ticks of the load list stay for the day. */
function startTicks() {
  for (const tick of document.querySelectorAll("input[data-tick]")) {
    const name = `tick ${tick.dataset.tick}`;
    tick.checked = localStorage.getItem(name) !== null;
    tick.addEventListener("change", () => {
      if (tick.checked) localStorage.setItem(name, "1");
      else localStorage.removeItem(name);
    });
  }
}

/** Pages that were opened without the day before them know the service's clock as well. */
async function learnClock() {
  if (clock.isKnown()) return;
  const signal = AbortSignal.timeout(CLOCK_MILLISECONDS);
  const answer = await fetch(location.href, { cache: "no-store", signal });
  if (answer.ok && !answer.redirected) {
    clock.learn(new DOMParser().parseFromString(await answer.text(), "text/html"));
  }
}

/** Has the worker keep this page, the forms it leads to, and tomorrow with its forms. */
async function keepPages() {
  const { active } = await navigator.serviceWorker.ready;
  const own = [...document.querySelectorAll("link[rel=stylesheet], script[src]")];
  const keep = [location.pathname + location.search, ...own.map((it) => it.href ?? it.src)];
  keep.push(...MODULES.map((name) => new URL(name, import.meta.url).href));
  const day = document.querySelector("[data-day]");
  if (day) {
    keep.push(...stops(document));
    const tomorrow = document.querySelector(".days a:last-child").getAttribute("href");
    const answer = await fetch(tomorrow);
    if (answer.ok && !answer.redirected) {
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      clock.learn(page);
      keep.push(tomorrow, ...stops(page));
    }
  }
  const today = day?.dataset.day === "today";
  if (today) keep.push("/technician/today");
  active.postMessage({ keep, only: today });
}

const stops = (page) =>
  [...page.querySelectorAll("a[href^='/technician/visit/']")].map((link) => link.getAttribute("href"));

/** Whoever signs out leaves no homes behind on the phone. */
async function leaving(event) {
  event.preventDefault();
  const left = (await outbox.entries()).length;
  if (left > 0 && !confirm(`${left} entries have not been sent. Sign out all the same?`)) return;
  for (const name of await caches.keys()) await caches.delete(name);
  event.target.submit();
}

async function start() {
  startTicks();
  await learnClock().catch(() => {}); // No signal: the phone's own clock must do.
  if (form) await startForm();
  const taking = document.querySelector("[data-photos]");
  if (taking) photos.start(taking, trySending);
  document.querySelector("form.leave")?.addEventListener("submit", leaving);
  await show();
  addEventListener("online", trySending);
  // «Mend it» on the form's own page changes the address behind the # alone.
  addEventListener("hashchange", () => location.reload());
  setInterval(async () => {
    if (!waiting.hidden) await trySending();
  }, RETRY_MILLISECONDS);
  await trySending();
  await navigator.serviceWorker.register("/technician/worker.js");
  await keepPages();
}

await start();
