// What is typed for a parameter, as the daemon takes it.

// setting makes the text of a parameter: one value, a list by commas, or a range as in "50 mA to 3 A, 8 points, log". What is none of
// these goes as it is: the daemon says what is wrong with it.
export function setting(text) {
  text = text.trim().replace(/\s+/g, " ").replace(/−/g, "-").replace(/µ/g, "u").replace(/Ω/g, "ohm").replace(/°C/g, "degC");
  if (!text || /^[[{]/.test(text)) return text;
  const range = /^(.+?) (?:to|\.\.|–) (.+?), ?(\d+) points?(?:, ?(log|linear))?$/.exec(text) || /^(.+?)\.\.(.+?), ?(\d+) points?(?:, ?(log|linear))?$/.exec(text);
  if (range) return `{from: ${range[1].trim()}, to: ${range[2].trim()}, points: ${range[3]}${range[4] ? ", spacing: " + range[4] : ""}}`;
  const step = /^(.+?) (?:to|\.\.|–) (.+?), ?steps? of (.+)$/.exec(text);
  if (step) return `{from: ${step[1].trim()}, to: ${step[2].trim()}, step: ${step[3].trim()}}`;
  return /,/.test(text) && !/\(/.test(text) ? `[${text.split(",").map(t => t.trim()).filter(Boolean).join(", ")}]` : text;
}

// brief is a list of values as a person reads it.
export function brief(values) {
  if (values.length <= 6) return values.join(", ");
  return `${values[0]} … ${values.at(-1)}, ${values.length} values`;
}

// fieldOf is the parameter, or the other field, that a finding is about; empty where it is about none of them.
export function fieldOf(finding, names) {
  const found = /^--set ([A-Za-z_]\w*)/.exec(finding.text) || /the values of ([A-Za-z_]\w*) stand/.exec(finding.hint || "") || /^params\.([A-Za-z_]\w*)/.exec(finding.text);
  return found && names.includes(found[1]) ? found[1] : "";
}

// told is a finding without the words of a command line.
export const told = finding => finding.text.replace(/^--set [A-Za-z_]\w*(="(?:[^"\\]|\\.)*")?: /, "");

// otherField is the field of the form that a refusal without findings is about.
export function otherField(text) {
  for (const [begin, field] of [["priority", "priority"], ["every", "every"], ["retry", "attempts"], ["at", "at"], ["acknowledge", "acknowledge"], ["device", "device"]]) if (text.startsWith(begin)) return field;
  return "";
}
