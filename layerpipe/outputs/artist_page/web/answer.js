// What the artist sends back: one line of plain text, or a small TOML file. `layerpipe/sheet/answer.py` reads both and
// describes them.

const FORMAT = "layerpipe levels 1";

function roundedLevel(level) {
  return level === -Infinity ? level : Math.round(level * 100) / 100 + 0;
}

// Control characters and marks that turn the direction of text have no place in a remark.
function cleanRemark(text) {
  return text.normalize("NFC").replace(/[\p{Cc}\p{Zl}\p{Zp}\p{Cs}\p{Co}\p{Cn}\u200e\u200f\u202a-\u202e\u2066-\u2069\ufeff]/gu, " ")
    .replace(/\s+/g, " ").trim();
}

// A string of JSON in which everything that mail and messages like to change is written as a number. TOML wants
// characters past the first 65536 as one number, JSON as two.
function quoted(text, { toml = false } = {}) {
  const changing = /["\\\p{Cc}\p{Zl}\p{Zp}\p{Cs}\p{Co}\p{Cn}\p{Cf}\u201c-\u201f\u2032-\u2037\u2010-\u2015\u2212]|(?! )\p{Zs}|^ | $| (?= )/gu;
  const hex = (number, digits) => number.toString(16).padStart(digits, "0");
  const written = (found) => (toml && found.codePointAt(0) > 0xffff
    ? `\\U${hex(found.codePointAt(0), 8)}`
    : Array.from({ length: found.length }, (_, at) => `\\u${hex(found.charCodeAt(at), 4)}`).join(""));
  return `"${text.normalize("NFC").replace(changing, written)}"`;
}

// CRC-16 with polynomial 0x1021, started at 0xffff: it shows a line that was cut short.
function checkOf(text) {
  let check = 0xffff;
  for (const byte of new TextEncoder().encode(text)) {
    check ^= byte << 8;
    for (let bit = 0; bit < 8; bit += 1) check = check & 0x8000 ? ((check << 1) ^ 0x1021) & 0xffff : (check << 1) & 0xffff;
  }
  return check.toString(16).padStart(4, "0");
}

function levelText(level) {
  return level === -Infinity ? "off" : `${roundedLevel(level)} dB`;
}

// kept: [{ section, levels: [[layer, level]...], remark }]
function answerLine(title, kept) {
  const entries = kept.map(({ section, levels, remark }) => {
    const said = levels.map(([layer, level]) => `${quoted(layer)} ${levelText(level)}`);
    if (remark) said.push(`remark ${quoted(remark)}`);
    return `${quoted(section)} ${said.join(", ")}`;
  });
  const line = `${FORMAT}: ${[quoted(title), ...entries].join("; ")}`;
  return `${line} (check ${checkOf(line)})`;
}

function answerToml(title, kept) {
  const written = (text) => quoted(text, { toml: true });
  const tomlLevel = (level) => {
    const rounded = roundedLevel(level);
    if (rounded === -Infinity) return "-inf";
    return Number.isInteger(rounded) ? rounded.toFixed(1) : String(rounded);
  };
  const parts = kept.map(({ section, levels, remark }) => [
    "[[choice]]",
    `section = ${written(section)}`,
    `levels_db = { ${levels.map(([layer, level]) => `${written(layer)} = ${tomlLevel(level)}`).join(", ")} }`,
    ...(remark ? [`remark = ${written(remark)}`] : []),
  ].join("\n"));
  return `${[`# Levels chosen by ear. "layerpipe levels RECIPE --accept THIS_FILE" shows them and writes them down.\n`
    + `format = "${FORMAT}"\ntitle = ${written(title)}`, ...parts].join("\n\n")}\n`;
}
