// A page on the engineer's own server: fetches sound ahead, looks for a newer version, and sends the answer.

const LOOK_EVERY_MS = 3000;
const MISSED_LOOKS = 3;
const SHOWN_PART = "layerpipe part", SENDER = "layerpipe sender";

// Session memory survives a reload of this tab only.
function tabMemory() {
  try {
    return window.sessionStorage;
  } catch (refusal) {
    if (refusal.name !== "SecurityError") throw refusal;
    return null;
  }
}

// ---- Newer versions ----

let missed = 0;
let newest = song.served.version;

function showNewer() {
  const isNewer = newest !== song.served.version;
  const words = isNewer ? "A new version is here."
    : missed >= MISSED_LOOKS ? "The engineer’s computer does not answer. Your choices stay here." : "";
  byId("newer").hidden = words === "";
  byId("newer-load").hidden = !isNewer;
  if (byId("newer-text").textContent !== words) byId("newer-text").textContent = words;
}

async function look() {
  try {
    const response = await fetch(song.served.newest, { cache: "no-store", credentials: "omit" });
    missed = response.ok ? 0 : missed + 1;
    if (response.ok) newest = (await response.json()).version;
  } catch (refusal) {
    if (!(refusal instanceof TypeError)) throw refusal;
    missed += 1;
  }
  showNewer();
}

async function keepLooking() {
  if (!document.hidden) await look();
  setTimeout(keepLooking, LOOK_EVERY_MS);
}

byId("newer-load").addEventListener("click", () => {
  tabMemory()?.setItem(SHOWN_PART, current().name);
  window.location.reload();
});

function returnToPart() {
  const name = tabMemory()?.getItem(SHOWN_PART);
  const number = song.sections.findIndex((section) => section.name === name);
  if (number >= 0) state.number = number;
  tabMemory()?.removeItem(SHOWN_PART);
}

// ---- The answer ----

function answerBody() {
  return JSON.stringify({ name: cleanComment(byId("sender").value), answer: answerLine(answerEntries()) });
}

async function sendAnswer() {
  const button = byId("send-answer"), body = answerBody();
  if (new TextEncoder().encode(body).length > song.served.most) {
    byId("delivered").textContent = "This is too long to be sent from here. Shorten the comments, or copy the text below into a message.";
    return;
  }
  button.disabled = true;
  byId("delivered").textContent = "Sending …";
  let words = "Sending did not work. Try again, or copy the text below into a message.";
  try {
    const response = await fetch(song.served.answer, {
      method: "POST", headers: { "Content-Type": "application/json" }, body, credentials: "omit",
    });
    if (response.ok) words = "Sent, and kept by the engineer’s computer.";
    else if (response.status === 429) words = "That was too often. Wait a minute, then send it again.";
  } catch (refusal) {
    if (!(refusal instanceof TypeError)) throw refusal;
  }
  byId("delivered").textContent = words;
  button.disabled = false;
  button.focus();
}

if (byId("send-answer")) {
  byId("sender").value = browserMemory()?.getItem(SENDER) ?? "";
  byId("sender").addEventListener("change", () => browserMemory()?.setItem(SENDER, byId("sender").value));
  byId("send-answer").addEventListener("click", sendAnswer);
}

// ---- Sound ahead ----

// The part that is shown, then the one after it, once the one before has begun to play.
function fetchPart(number) {
  const section = song.sections[number];
  if (section && !player.has(section, number, 0)) fetchAhead(section);
}

byId("sections").addEventListener("change", () => fetchPart(state.number));
byId("play").addEventListener("click", () => setTimeout(fetchPart, 2000, state.number + 1));

returnToPart();
fetchPart(state.number);
setTimeout(keepLooking, LOOK_EVERY_MS);
