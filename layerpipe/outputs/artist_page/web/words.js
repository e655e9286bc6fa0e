// Levels in figures and in words, to see, to hear read aloud, and to send.

const OFF = -Infinity;

// How a layer compares with the other layers, from the loudness difference in LU; limits by ear, own values.
const LOUDNESS_WORDS = [
  [2, "louder than the rest"], [-2, "as loud as the rest"], [-6, "a little softer than the rest"],
  [-12, "behind the rest"], [-18, "in the background"], [OFF, "a hint"],
];

const byId = (id) => document.getElementById(id);
const roundedLevel = (level) => (level === OFF ? level : Math.round(level * 100) / 100 + 0);
const levelText = (level) => (level === OFF ? "off" : `${roundedLevel(level)} dB`);
const levelShown = (level) => levelText(level).replace("-", "\u2212").replace(" ", "\u00a0");
const levelSpoken = (level) => (level === OFF ? "off" : `${level < 0 ? "minus " : ""}${Math.abs(roundedLevel(level))} decibels`);
const clockShown = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;

// A name written from right to left is isolated, so that a minus sign after it stays where it belongs.
const RIGHT_TO_LEFT = /[\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\u{10800}-\u{10fff}\u{1e800}-\u{1efff}\u202b\u202e]/u;
const isolated = (name) => (RIGHT_TO_LEFT.test(name) ? `\u2068${name}\u2069` : name);

function settingShown(levels) {
  return song.layers.slice(1).map((name, at) => `${isolated(name)} ${levelShown(levels[at + 1])}`).join(", ");
}

const isSilent = (section, layer) => integratedLoudness(section.products, unitGains(layer)) === OFF;
const unitGains = (layer) => Array.from({ length: song.layers.length + Number(song.bed) }, (_, at) => Number(at === layer));

// "a hint", "as loud as the rest"; empty where there is nothing to compare.
function loudnessWords(section, levels, layer) {
  if (isSilent(section, layer)) return "silent in this part";
  if (levels[layer] === OFF) return "";
  const gains = mixOf(levels);
  const rest = integratedLoudness(section.products, gains.map((gain, at) => (at === layer ? 0 : gain)));
  if (rest === OFF) return "";
  const own = integratedLoudness(section.products, gains.map((gain, at) => (at === layer ? gain : 0)));
  return LOUDNESS_WORDS.find(([from]) => own - rest >= from)[1];
}

const times = (count) => (count === 1 ? "once" : `${count} times`);

// Blind comparisons of a part, in one line of at most 280 characters that any message carries.
function comparedText(compared) {
  const setting = (levels) => song.layers.slice(1).map((name, at) => `${name} ${levelText(levels[at + 1])}`).join(" and ");
  return cleanComment(compared.map(({ pair, counts, neither }) => {
    const said = pair.map((levels, at) => `${setting(levels)} chosen ${times(counts[at])}`);
    if (neither) said.push(`no difference ${times(neither)}`);
    return said.join(", ");
  }).join("; ")).slice(0, 280).trim();
}

function listed(parts) {
  return parts.length < 2 ? parts.join("") : `${parts.slice(0, -1).join(", ")} and ${parts[parts.length - 1]}`;
}

// What is sent, for people: one sentence for each part.
function answerSentences(entries) {
  const lines = entries.map(({ section, number, levels, comment, compared }) => {
    const all = [song.sections[number].proposed[0], ...levels.map(([, level]) => level)];
    const wish = (changed) => levels.filter(([, level, was]) => (level !== was) === changed).map(([layer, level]) => {
      const words = loudnessWords(song.sections[number], all, song.layers.indexOf(layer));
      return `${isolated(layer)} ${changed ? "to" : "at"} ${levelShown(level)}${words ? ` (${words})` : ""}`;
    });
    const [set, leave] = [wish(true), wish(false)];
    const wishes = [set.length ? `set ${listed(set)}` : "", leave.length ? `leave ${listed(leave)}` : ""].filter(Boolean);
    return `In ${isolated(section)}, please ${wishes.join(", and ")}.`
      + `${comment ? ` Comment: ${isolated(comment)}` : ""}${compared ? ` Compared blind: ${compared}.` : ""}`;
  });
  return [`My levels for ${isolated(song.title)}`, ...lines].join("\n");
}
