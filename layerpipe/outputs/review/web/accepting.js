// What was accepted: remembered by this browser, written as one line, sent to the terminal from a served page.

const STORED = `layerpipe review ${song.page}`;

function browserMemory() {
  try {
    return window.localStorage;
  } catch (refusal) {
    if (refusal.name !== "SecurityError") throw refusal;
    return null;
  }
}

function recall() {
  let stored = null;
  try {
    stored = JSON.parse(browserMemory()?.getItem(STORED) ?? "[]");
  } catch (refusal) {
    if (!(refusal instanceof SyntaxError)) throw refusal;
  }
  if (!Array.isArray(stored)) return;
  state.ticked = new Set(stored.filter((number) => song.items[number]?.diff.length));
}

function remember() {
  try {
    browserMemory()?.setItem(STORED, JSON.stringify([...state.ticked]));
  } catch (refusal) {
    if (refusal.name !== "QuotaExceededError") throw refusal;
  }
}

// `line.py` reads and describes the line.
function reviewLine() {
  const runs = [];
  for (const number of [...state.ticked].sort((one, other) => one - other).map((at) => at + 1)) {
    const last = runs.at(-1);
    if (last && last[1] === number - 1) last[1] = number;
    else runs.push([number, number]);
  }
  const listed = runs.map(([first, last]) => (last > first ? `${first}-${last}` : `${first}`)).join(", ");
  const line = `${song.format}: page ${song.page}; accept ${listed}`;
  return `${line} (check ${checkOf(line)})`;
}

function showAccepted() {
  const possible = song.items.filter((one) => one.diff.length).length;
  const count = state.ticked.size;
  byId("accepted").textContent = count ? `${count} of ${possible} proposed change${possible > 1 ? "s" : ""}.`
    : possible ? "Nothing yet." : "Nothing is proposed; listen, and re-record where it says so.";
  byId("result").hidden = count === 0;
  byId("line").value = count ? reviewLine() : "";
  byId("copied").textContent = "";
  if (byId("delivered")) byId("delivered").textContent = "";
}

// A move needs the shift of its take: both are accepted, or taken back, together.
function tick(number, isTicked) {
  if (!song.items[number].diff.length) return;
  if (isTicked) {
    state.ticked.add(number);
    if (song.items[number].needs !== null) state.ticked.add(song.items[number].needs);
  } else {
    state.ticked.delete(number);
    song.items.forEach((one, other) => { if (one.needs === number) state.ticked.delete(other); });
  }
  remember();
  showTicks();
  showAccepted();
}

byId("accept")?.addEventListener("change", (event) => tick(state.number, event.target.checked));

byId("copy")?.addEventListener("click", async () => {
  let words = "Copied.";
  try {
    await navigator.clipboard.writeText(byId("line").value);
  } catch {
    byId("line").focus();
    byId("line").select();
    words = "The browser does not allow copying here; the line is selected, copy it by hand.";
  }
  byId("copied").textContent = words;
});

byId("send-accepted")?.addEventListener("click", async (event) => {
  event.target.disabled = true;
  byId("delivered").textContent = "Sending …";
  let words = "Sending did not work. Try again, or copy the line.";
  try {
    const response = await fetch(song.served.answer, {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ line: reviewLine() }), credentials: "omit",
    });
    if (response.ok) words = "Sent. The terminal shows the change and asks.";
    else if (response.status === 429) words = "That was too often. Wait a minute, then send it again.";
  } catch (refusal) {
    if (!(refusal instanceof TypeError)) throw refusal;
  }
  byId("delivered").textContent = words;
  event.target.disabled = false;
  event.target.focus();
});
