// What the artist sends back, as a line of plain text or a small TOML file. `answer_reader.py` and `answer_file.py` read
// and describe them.

const FORMAT = "layerpipe levels 2";

// Control characters and those that turn the direction of text have no place in a comment.
function cleanComment(text) {
  return text.normalize("NFC").replace(/[\p{Cc}\p{Zl}\p{Zp}\p{Cs}\p{Co}\p{Cn}\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]/gu, " ")
    .replace(/\s+/g, " ").trim();
}

// A JSON string in which everything that mail and messages like to change is written as a number. TOML wants characters
// past the first 65536 as one number, JSON as two.
function quoted(text, { toml = false } = {}) {
  const changing = /["'\\<>&\p{Cc}\p{Zl}\p{Zp}\p{Cs}\p{Co}\p{Cn}\p{Cf}\u00ab\u00bb\u2018-\u201f\u2032-\u2037\u2010-\u2015\u2026\u2212]|(?! )\p{Zs}|^ | $| (?= )|-(?=-)|\.(?=\.)/gu;
  const hex = (number, digits) => number.toString(16).padStart(digits, "0");
  const written = (found) => (toml && found.codePointAt(0) > 0xffff
    ? `\\U${hex(found.codePointAt(0), 8)}`
    : Array.from({ length: found.length }, (_, at) => `\\u${hex(found.charCodeAt(at), 4)}`).join(""));
  return `"${text.normalize("NFC").replace(changing, written)}"`;
}

// CRC-16 with polynomial 0x1021, started at 0xffff: it detects a line that was cut short.
function checkOf(text) {
  let check = 0xffff;
  for (const byte of new TextEncoder().encode(text)) {
    check ^= byte << 8;
    for (let bit = 0; bit < 8; bit += 1) check = check & 0x8000 ? ((check << 1) ^ 0x1021) & 0xffff : (check << 1) & 0xffff;
  }
  return check.toString(16).padStart(4, "0");
}

// entries: [{ section, number, levels: [[layer, level, was]...], comment, compared }]
function answerLine(entries) {
  const written = entries.map(({ section, levels, comment, compared }) => {
    const said = levels.map(([layer, level, was]) => `${quoted(layer)} ${levelText(level)} was ${levelText(was)}`);
    if (comment) said.push(`comment ${quoted(comment)}`);
    if (compared) said.push(`compared ${quoted(compared)}`);
    return `${quoted(section)} ${said.join(", ")}`;
  });
  const line = `${FORMAT}: ${[`page ${song.page}`, quoted(song.title), ...written].join("; ")}`;
  return `${line} (check ${checkOf(line)})`;
}

function answerToml(entries) {
  const written = (text) => quoted(text, { toml: true });
  const tomlLevel = (level) => {
    const rounded = roundedLevel(level);
    if (rounded === OFF) return "-inf";
    return Number.isInteger(rounded) ? rounded.toFixed(1) : String(rounded);
  };
  const table = (levels, at) => `{ ${levels.map((level) => `${written(level[0])} = ${tomlLevel(level[at])}`).join(", ")} }`;
  const choices = entries.map(({ section, levels, comment, compared }) => [
    "[[choice]]",
    `section = ${written(section)}`,
    `levels_db = ${table(levels, 1)}`,
    `was_db = ${table(levels, 2)}`,
    ...(comment ? [`comment = ${written(comment)}`] : []),
    ...(compared ? [`compared = ${written(compared)}`] : []),
  ].join("\n"));
  const head = ['# Levels chosen by ear. "layerpipe levels RECIPE --accept THIS_FILE" shows them and asks before it writes.',
    `format = "${FORMAT}"`, `page = "${song.page}"`, `title = ${written(song.title)}`].join("\n");
  return `${[head, ...choices].join("\n\n")}\n`;
}
