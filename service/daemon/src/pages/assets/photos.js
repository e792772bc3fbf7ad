// Photos: onto the phone's disk as soon as they are taken, then sent like every entry.

import * as outbox from "./outbox.js";

/** Lets photos be taken on the page of a visit. `send` tries to send what waits. */
export function start(place, send) {
  const [input, refused, sent] = ["input", "[data-refused]", "[data-sent]"].map((css) =>
    place.querySelector(css),
  );
  place.hidden = false;
  input.addEventListener("change", async () => {
    const wrong = [];
    const numbers = [];
    for (const file of input.files) {
      const reason = refusal(file, place.dataset);
      if (reason) wrong.push(reason);
      else numbers.push(await keep(file));
    }
    input.value = "";
    say(refused, wrong.join(" "));
    say(sent, "");
    if (numbers.length === 0) return;
    await send();
    const left = await Promise.all(numbers.map(outbox.entry));
    const gone = left.filter((entry) => entry === undefined).length;
    if (gone > 0) say(sent, `${gone === 1 ? "1 photo is" : `${gone} photos are`} with the office.`);
  });
}

function say(place, text) {
  place.textContent = text;
  place.hidden = text === "";
}

/** Why a file is not taken; nothing when it is. The limits are the service's. */
function refusal(file, { limit, types }) {
  if (!types.split(" ").includes(file.type)) return `${file.name} is no JPEG, PNG or WebP picture.`;
  const megabytes = (bytes) => `${(bytes / 1e6).toFixed(1)} MB`;
  if (file.size <= Number(limit)) return null;
  return `${file.name} has ${megabytes(file.size)}; a photo may have ${megabytes(limit)}.`;
}

/** The bytes themselves: a file's name may be gone by the time it is sent. */
async function keep(file) {
  const photo = { type: file.type, bytes: await file.arrayBuffer() };
  const household = document.querySelector("h1").textContent.trim();
  return outbox.keepPhoto({ path: location.pathname, household, photo, at: Date.now() });
}
