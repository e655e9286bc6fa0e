// What is kept, remembered by this browser, and sent back.

const STORED = `layerpipe ${song.id}`;

function answerEntries() {
  return [...state.kept.keys()].sort((a, b) => a - b).map((number) => {
    const { levels, remark } = state.kept.get(number);
    const named = song.layers.map((name, layer) => [name, levels[layer]]).slice(1);
    return { section: song.sections[number].name, levels: named, remark };
  });
}

function showKept() {
  const entries = answerEntries();
  byId("nothing").hidden = entries.length > 0;
  byId("result").hidden = entries.length === 0;
  byId("sent").textContent = "";
  byId("line").value = entries.length ? answerLine(song.title, entries) : "";
  byId("kept").replaceChildren(...[...state.kept.keys()].sort((a, b) => a - b).map((number) => {
    const { levels, remark } = state.kept.get(number);
    const { name } = song.sections[number];
    const forget = make("button", "forget");
    Object.assign(forget, { type: "button", className: "plain" });
    forget.setAttribute("aria-label", `Forget what you kept for ${name}`);
    forget.addEventListener("click", () => {
      state.kept.delete(number);
      remember();
      showKept();
      say(`Forgot ${name}`);
      byId("remark").focus();
    });
    const text = make("span", "", [make("bdi", name), ` \u2014 ${settingShown(levels)}`]);
    if (remark) text.append(make("em", remark));
    return make("li", "", [text, forget]);
  }));
  song.sections.forEach((_, number) => { byId(`done-${number}`).textContent = state.kept.has(number) ? " \u2013 kept" : ""; });
  showChoices();
  showKeptHere();
}

// Beside the button that keeps: what it did, and whether the setting has moved on since.
function showKeptHere() {
  if (!byId("keep")) return;
  const kept = state.kept.get(state.number);
  byId("kept-here").hidden = !kept;
  if (!kept) return;
  const moved = kept.levels.some((level, layer) => level !== roundedLevel(current().levels[layer]));
  byId("kept-here").firstElementChild.textContent = moved
    ? `You kept ${settingShown(kept.levels)}; keep again to change it.` : `Kept: ${settingShown(kept.levels)}.`;
}

// What was kept survives closing the page where the browser allows it; where not, nothing else changes.
function browserMemory() {
  try {
    return window.localStorage;
  } catch (refusal) {
    if (refusal.name !== "SecurityError") throw refusal;
    return null;
  }
}

function remember() {
  const plain = [...state.kept].map(([number, { levels, remark }]) => [number, levels.map((level) => (level === OFF ? null : level)), remark]);
  try {
    browserMemory()?.setItem(STORED, JSON.stringify(plain));
  } catch (refusal) {
    if (refusal.name !== "QuotaExceededError") throw refusal;
  }
}

function recall() {
  for (const [number, levels, remark] of JSON.parse(browserMemory()?.getItem(STORED) ?? "[]")) {
    state.kept.set(number, { levels: levels.map(fromFacts), remark });
  }
}

async function copyLine() {
  byId("line").select();
  if (navigator.clipboard && window.isSecureContext) await navigator.clipboard.writeText(byId("line").value);
  else document.execCommand("copy");
  byId("sent").textContent = "Copied. Paste it into a message.";
}

function saveFile() {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([answerToml(song.title, answerEntries())], { type: "application/toml" }));
  link.download = "levels.toml";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  byId("sent").textContent = "Saved as levels.toml. Attach it to a message.";
}

if (byId("keep")) {
  byId("keep").addEventListener("submit", (event) => {
    event.preventDefault();
    state.kept.set(state.number, { levels: current().levels.map(roundedLevel), remark: cleanRemark(byId("remark").value) });
    remember();
    showKept();
    say(`Kept for ${current().name}: ${settingShown(current().levels)}`);
  });
  byId("copy").addEventListener("click", copyLine);
  byId("save").addEventListener("click", saveFile);
  byId("share").hidden = !navigator.share;
  byId("share").addEventListener("click", () => navigator.share({ text: byId("line").value }).catch((refusal) => {
    if (refusal.name !== "AbortError") byId("sent").textContent = "Sending did not work here; copy the line instead.";
  }));
  recall();
  showKept();
}
