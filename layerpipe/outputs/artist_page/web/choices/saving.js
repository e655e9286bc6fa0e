// What is saved, part by part, and how it is sent.

function answerEntries() {
  return state.parts.flatMap(({ saved, comment, compared }, number) => {
    if (!saved) return [];
    const section = song.sections[number];
    const levels = song.layers.map((name, layer) => [name, roundedLevel(saved[layer]), roundedLevel(section.proposed[layer])]).slice(1);
    return [{ section: section.name, number, levels, comment: cleanComment(comment), compared: comparedText(compared) }];
  });
}

function showSaved() {
  const entries = answerEntries();
  byId("nothing").hidden = entries.length > 0;
  byId("result").hidden = entries.length === 0;
  byId("sent").textContent = "";
  byId("answer").value = entries.length ? `${answerSentences(entries)}\n\n${answerLine(entries)}\n` : "";
  byId("saved").replaceChildren(...entries.map(({ section, number, comment }) => {
    const remove = make("button", "remove");
    Object.assign(remove, { type: "button", className: "plain" });
    remove.setAttribute("aria-label", `Remove your choice for ${section}`);
    remove.addEventListener("click", () => removeChoice(number));
    const text = make("span", "", [make("bdi", section), ` \u2013 ${settingShown(state.parts[number].saved)}`]);
    if (comment) {
      const said = make("em", comment);
      said.dir = "auto";
      text.append(said);
    }
    return make("li", "", [text, remove]);
  }));
  state.parts.forEach(({ saved }, number) => { byId(`done-${number}`).textContent = saved ? " \u2013 saved" : ""; });
  showChoices();
  showTally();
  showSavedHere();
}

// The focus goes to the next choice that can be removed, or to the heading above them.
function removeChoice(number) {
  const shown = state.number;
  state.number = number;
  part().saved = null;
  remember();
  state.number = shown;
  const place = answerEntries().filter((entry) => entry.number < number).length;
  showSaved();
  const left = byId("saved").querySelectorAll("button");
  (left[Math.min(place, left.length - 1)] ?? byId("send")).focus();
  say(`Removed ${song.sections[number].name}`);
}

// Whether this part is saved, and whether its setting has changed since.
function showSavedHere() {
  if (!byId("save")) return;
  const { saved, levels } = part();
  const changed = saved && !sameLevels(saved, levels.map(roundedLevel));
  byId("save-word").textContent = !saved ? "Save" : changed ? "Save again" : "Saved";
  byId("save-part").lastElementChild.textContent = current().name;
  byId("saved-here").hidden = !saved;
  byId("saved-here").firstElementChild.textContent = saved
    ? `Saved: ${settingShown(saved)}.${changed ? " Save again to replace it." : ""}` : "";
}

function selectAnswer() {
  byId("answer").focus();
  byId("answer").select();
}

async function copyAnswer() {
  let copied = false;
  try {
    if (navigator.clipboard && window.isSecureContext) {
      await navigator.clipboard.writeText(byId("answer").value);
      copied = true;
    }
  } catch (refusal) {
    if (!(refusal instanceof DOMException)) throw refusal;
  }
  if (!copied) {
    selectAnswer();
    copied = document.execCommand("copy");
  }
  byId("sent").textContent = copied ? "Copied. Paste it into a message."
    : "Copying is not allowed here. The text is selected: copy it as you copy any text, then paste it into a message.";
}

function saveFile() {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([answerToml(answerEntries())], { type: "application/toml" }));
  link.download = "levels.toml";
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  byId("sent").textContent = "Saved as levels.toml. Attach it to a message. If there is no such file, copy the text instead.";
}

function savePart() {
  part().saved = part().levels.map(roundedLevel);
  remember();
  showSaved();
  say(`Saved for ${current().name}: ${settingShown(part().saved)}`);
}

if (byId("save")) {
  // No form: in a frame without the permission to send forms it would do nothing.
  byId("save").addEventListener("click", savePart);
  byId("comment").addEventListener("keydown", (event) => { if (event.key === "Enter" && !event.isComposing) savePart(); });
  byId("comment").addEventListener("input", () => {
    part().comment = byId("comment").value.slice(0, LONGEST_COMMENT);
    remember();
    showSaved();
  });
  byId("copy").addEventListener("click", copyAnswer);
  byId("save-file").addEventListener("click", saveFile);
  byId("share").hidden = !navigator.share;
  byId("share").addEventListener("click", () => navigator.share({ text: byId("answer").value }).catch((refusal) => {
    if (refusal.name !== "AbortError") byId("sent").textContent = "Sending did not work here; copy the text instead.";
  }));
  recall();
  showSaved();
}
