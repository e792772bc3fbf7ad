// What the technician entered and the office does not have yet.
//
// An entry is written to the phone's disk before anything is sent, leaves it only when the service
// has answered that it is kept, and carries a key of its own, so that sending it twice counts once.
// Entries go out in the order in which they were made; one that the service refuses stays, with the
// reason, and does not hold up those after it.

const LOCK = "hotspell-outbox";

function opened() {
  return new Promise((resolve, reject) => {
    const request = indexedDB.open("hotspell", 1);
    request.onupgradeneeded = () => {
      request.result.createObjectStore("entries", { keyPath: "number", autoIncrement: true });
      request.result.createObjectStore("drafts", { keyPath: "path" });
    };
    request.onsuccess = () => resolve(request.result);
    request.onerror = () => reject(request.error);
  });
}

/** Does `work` with both stores in one transaction; resolves when it is on the disk. */
async function transact(mode, work) {
  const database = await opened();
  try {
    return await new Promise((resolve, reject) => {
      const transaction = database.transaction(["entries", "drafts"], mode, { durability: "strict" });
      const store = (name) => transaction.objectStore(name);
      const request = work(store("entries"), store("drafts"));
      transaction.oncomplete = () => resolve(request.result);
      transaction.onabort = () => reject(transaction.error);
    });
  } finally {
    database.close();
  }
}

/** Every entry, oldest first. */
export const entries = () => transact("readonly", (all) => all.getAll());

/** The entry with a number. */
export const entry = (number) => transact("readonly", (all) => all.get(number));

/** Takes an entry away. */
export const discard = (number) => transact("readwrite", (all) => all.delete(number));

/** What was typed on a page and not sent off yet. */
export const draft = (path) => transact("readonly", (_, drafts) => drafts.get(path));

/** Keeps what is being typed. */
export const keepDraft = (path, fields) =>
  transact("readwrite", (_, drafts) => drafts.put({ path, fields }));

/** Forgets what was typed. */
export const discardDraft = (path) => transact("readwrite", (_, drafts) => drafts.delete(path));

/** Keeps an entry for sending, in place of its draft and of the refused one that it mends. */
export const keep = (made, mended) =>
  transact("readwrite", (all, drafts) => {
    drafts.delete(made.path);
    if (mended !== null) all.delete(mended);
    return all.add(made);
  });

/** Keeps a photo for sending. */
export const keepPhoto = (made) => transact("readwrite", (all) => all.add(made));

/** Sends what can be sent. Resolves to `sent`, `no-signal` or `signed-out`. */
export function send() {
  return navigator.locks.request(LOCK, async () => {
    for (const made of await entries()) {
      if (made.refused) continue;
      const outcome = await post(made);
      if (outcome === "kept") await discard(made.number);
      else if (Array.isArray(outcome)) {
        await transact("readwrite", (all) => all.put({ ...made, refused: outcome }));
      } else return outcome;
    }
    return "sent";
  });
}

/** `kept`, the sentences of a refusal, or why it must be tried again later. */
async function post(made) {
  try {
    // The form's token of the session that is open now, not of the one the entry was made in.
    const page = await fetch(made.path, { cache: "no-store" });
    if (signedOut(page)) return "signed-out";
    if (!page.ok) return refusal(page);
    const token = parsed(await page.text()).querySelector("input[data-token]");
    const answer = await (made.photo ? postPhoto(made, token) : postForm(made, token));
    if (signedOut(answer)) return "signed-out";
    return answer.ok ? "kept" : refusal(answer);
  } catch {
    return "no-signal";
  }
}

function postForm({ path, fields }, token) {
  const body = new URLSearchParams(fields);
  body.set(token.name, token.value);
  return fetch(path, { method: "POST", body });
}

/** The body is the picture; the same one twice counts once. */
function postPhoto({ path, photo }, token) {
  const headers = { "Content-Type": photo.type, "X-Form-Token": token.value };
  return fetch(`${path}/photos`, { method: "POST", headers, body: photo.bytes });
}

const signedOut = (answer) => new URL(answer.url).pathname === "/sign-in";

const parsed = (text) => new DOMParser().parseFromString(text, "text/html");

/** The service is there but busy or broken: later. Otherwise what it says is wrong. */
async function refusal(answer) {
  if (answer.status === 429 || answer.status >= 500) return "no-signal";
  const page = parsed(await answer.text());
  const marked = page.querySelectorAll(".told.bad p");
  const said = marked.length > 0 ? marked : page.querySelectorAll("main p");
  return [...said].map((sentence) => sentence.textContent.trim()).filter(Boolean);
}
