// Values in, octets out. What a field is comes as data with its message: the rules below say how values become bits, and
// know no kind of field. A value is the text that the pack command takes, a list of them, or values by name.

// --- exact decimals -----------------------------------------------------------------------------
// A decimal as a whole number of so many places, exactly; null for what is no number.
const NUMBER = /^\s*([+-]?)(?=\.?\d)(\d*)(?:\.(\d*))?(?:[eE]([+-]?\d{1,3}))?\s*$/;
function scaled(words, places) {
  const parts = NUMBER.exec(words);
  if (!parts) return null;
  const shift = Number(parts[4] || 0), fraction = parts[3] || "";
  const number = BigInt(parts[2] + fraction || "0") * (parts[1] === "-" ? -1n : 1n);
  const more = places + shift - fraction.length;
  return more < 0 ? null : number * 10n ** BigInt(more);
}
const placesOf = (words) => {
  const parts = /^[^.eE]*(?:\.(\d*))?(?:[eE]([+-]?\d{1,3}))?/.exec(words.trim());
  return Math.max(0, (parts[1] || "").length - Number(parts[2] || 0));
};
// Several decimals in one unit, and its places; null where one of them is no number.
function together(several) {
  const places = Math.max(...several.map(placesOf)), numbers = several.map((words) => scaled(words, places));
  return numbers.includes(null) ? null : [numbers, places];
}
function written(number, places) {
  const sign = number < 0n ? "-" : "", digits = (number < 0n ? -number : number).toString().padStart(places + 1, "0");
  const fraction = digits.slice(digits.length - places).replace(/0+$/, "");
  return sign + digits.slice(0, digits.length - places) + (places && fraction ? `.${fraction}` : "");
}
const added = (one, other, sign = 1n) => {
  const [[a, b], places] = together([one, other]);
  return written(a + sign * b, places);
};
const differ = (one, other) => {
  const both = together([one, other]);
  return both !== null && both[0][0] !== both[0][1];
};

// --- bits ---------------------------------------------------------------------------------------
// What a message becomes: its bits in the order of the message, what is wrong and what is sent otherwise than given.
class Packing {
  constructor({msb, mixed}) { Object.assign(this, {msb, mixed, bits: [], wrong: [], told: []}); }
  put(code, width, ordered = false) {
    if (this.mixed && ordered && width > 8) {  // a number of which octets and bits begin at different ends
      const groups = Math.floor(width / 8), rest = width % 8;
      let low = 0n;
      for (let at = 0; at < groups; at++) low = low << 8n | (code >> BigInt(8 * at) & 255n);
      code = low << BigInt(rest) | code >> BigInt(8 * groups);
    }
    const run = width ? code.toString(2).padStart(width, "0") : "";
    this.bits.push(this.msb ? run : [...run].reverse().join(""));
  }
  count(field, count) { this.put(BigInt(count - field.least), field.count, true); }
  refuse(path, words) { this.wrong.push([path, words]); }
  octets() {
    const bits = this.bits.join("");
    return (bits.padEnd(Math.ceil(bits.length / 8) * 8, "0").match(/.{8}/g) || []).map((octet) =>
      parseInt(this.msb ? octet : [...octet].reverse().join(""), 2).toString(16).padStart(2, "0"));
  }
}
const has = (of, name) => Object.hasOwn(of || {}, name);
// What is wrong with a text in place of a number; null where it is one.
function unread(words) {
  if (/^\s*[+-]?(?=\.?\d)\d*(?:\.\d*)?(?:[eE][+-]?\d+)?\s*$/.test(words)) return null;
  if (!words.trim()) return "is empty: a number is wanted";
  const comma = /^\s*([+-]?\d*),(\d+)\s*$/.exec(words);
  return comma ? `is no number: write ${comma[1]}.${comma[2]}` : "is no number";
}
const rangeOf = (low, high, unit) => `${low ?? "..."} to ${high ?? "..."}${unit ? ` ${unit}` : ""}`;
// The nearest step of a value, of two as near the even one, with what a receiver reads; null outside the range.
function stepsOf(field, words) {
  const found = together([words, field.base, field.step, field.min, field.max]);
  if (!found) return null;
  const [[value, base, step, least, most], places] = found;
  if (value < least || value > most) return null;
  const away = value - base, floor = away >= 0n ? away / step : -((step - 1n - away) / step), twice = 2n * (away - floor * step);
  const steps = twice > step || (twice === step && floor % 2n !== 0n) ? floor + 1n : floor;
  return {steps, sent: written(base + steps * step, places)};
}
// The code of a binary floating-point number and what a receiver reads; null for what it cannot hold.
function floatOf({exponent, fraction}, value) {
  const bias = 2 ** (exponent - 1) - 1, size = Math.abs(value), top = (1n << BigInt(exponent)) - 1n;
  const sign = BigInt(value < 0 || Object.is(value, -0)) << BigInt(exponent + fraction);
  if (Number.isNaN(value)) return {code: top << BigInt(fraction) | 1n << BigInt(fraction - 1), sent: "nan"};
  if (size === Infinity) return {code: sign | top << BigInt(fraction), sent: String(value)};
  let power = Math.max(Math.floor(Math.log2(size || 1)), 1 - bias);
  while (power > 1 - bias && 2 ** power > size) power -= 1;  // a logarithm may round up, or down
  while (power < bias && 2 ** (power + 1) <= size) power += 1;
  const quantum = 2 ** (power - fraction), exactly = size / quantum, floor = Math.floor(exactly), over = exactly - floor;
  const units = floor + Number(over > 0.5 || (over === 0.5 && floor % 2 === 1));
  const code = BigInt(units) + (units >= 2 ** fraction ? BigInt(power + bias - 1) << BigInt(fraction) : 0n);
  return code >> BigInt(fraction) >= top ? null : {code: sign | code, sent: String(Math.sign(value) * units * quantum)};
}

// --- rules --------------------------------------------------------------------------------------
const RULES = {
  always: (out, field) => out.put(BigInt(field.value), field.bits, field.ordered),
  codes(out, field, value, {path}) {
    if (has(field.codes, value)) out.put(BigInt(field.codes[value]), field.bits, field.ordered);
    else out.refuse(path, `is none of ${Object.keys(field.codes).join(", ")}`);
  },
  flags(out, field, names) {
    out.put(names.reduce((sum, name) => sum | BigInt(field.flags[name]), 0n), field.bits, field.ordered);
  },
  steps(out, field, value, {path, known}) {
    if (has(field.special, value)) return out.put(BigInt(field.special[value]), field.bits, field.ordered);
    const base = field.after === undefined ? "0" : known.get(field.after);
    const after = field.after === undefined ? "" : ` after ${field.after}`;
    if (base === undefined) return undefined;  // what it counts from is wrong itself
    if (unread(value)) return out.refuse(path, unread(value));
    const found = together([value, base]) && stepsOf(field, after ? added(value, base, -1n) : value);
    if (!found) return out.refuse(path, `is not in ${rangeOf(field.min, field.max, field.unit)}${after}`);
    if (field.whole && differ(found.sent, value)) return out.refuse(path, "is no whole number, as a count is");
    out.put(BigInt.asUintN(field.bits, found.steps), field.bits, field.ordered);
    return after ? added(found.sent, base) : found.sent;
  },
  entries(out, field, value, {path}) {
    if (unread(value)) return out.refuse(path, unread(value));
    const found = together([value, ...field.entries]);
    const [given, ...entries] = found ? found[0] : [], last = entries.length - 1;
    if (!found || given < entries[0] || given > entries[last]) {
      return out.refuse(path, `is not in ${rangeOf(field.entries[0], field.entries.at(-1), field.unit)}`);
    }
    const above = Math.max(entries.findIndex((entry) => entry >= given), 1);
    const index = above > 0 && entries[above] - given < given - entries[above - 1] ? above : above - 1;
    out.put(BigInt(index), field.bits, field.ordered);
    return field.entries[index];
  },
  float(out, field, value, {path}) {
    const words = value.trim(), [low, high] = field.limits, without = {"nan": NaN, "inf": Infinity, "-inf": -Infinity};
    const is = has(without, words) ? without[words] : NUMBER.test(words) ? Number(words) : null;
    const held = is !== null && (has(without, words) || Number.isFinite(is)) ? floatOf(field, is) : null;
    // what is sent is judged, as a receiver does
    const sent = held ? Number(held.sent) : NaN, inside = (low === null || sent >= Number(low)) && (high === null || sent <= Number(high));
    const found = inside ? held : null;
    if (!found) return out.refuse(path, is === null ? unread(words) || "is no number" : `is not in ${rangeOf(...field.stated, field.unit)}, or more than it holds`);
    out.put(found.code, field.bits, field.ordered);
    return found.sent;
  },
  octets(out, field, value, {path}) {
    const hex = value.replace(/\s+/g, ""), count = hex.length / 2;
    if (!/^([0-9a-fA-F]{2})*$/.test(hex) || count < field.least || count > field.most) return out.refuse(path, `is not ${field.least} to ${field.most} octets in hex`);
    out.count(field, count);
    for (const pair of hex.match(/../g) || []) out.put(BigInt(`0x${pair}`), 8);
  },
  text(out, field, value, {path}) {
    const octets = new TextEncoder().encode(value);
    if (octets.length < field.least || octets.length > field.most) return out.refuse(path, `has ${plural(octets.length, "octet")}, not ${field.least} to ${field.most}`);
    if (field.ascii && octets.some((octet) => octet > 127)) return out.refuse(path, "has characters that ASCII cannot write");
    out.count(field, octets.length);
    for (const octet of octets) out.put(BigInt(octet), 8);
  },
  group(out, {presence, fields: parts}, values, {path, known}) {
    const inner = new Map(known), optional = parts.filter((field) => "there" in field);
    const weight = (place) => 1n << BigInt(out.msb ? presence - 1 - place : place);
    out.put(optional.reduce((sum, field, place) => has(values, field.name) ? sum | weight(place) : sum, 0n), presence);
    for (const field of parts) {
      if (field.rule === "always" || has(values, field.name)) {
        inner.set(field.name, write(out, field, values[field.name], {path: path ? `${path}.${field.name}` : field.name, known: inner}));
      } else if (!("there" in field)) out.refuse(path ? `${path}.${field.name}` : field.name, "has no value");
    }
  },
  union: (out, field, values, around) => has(field.options, around.known.get(field.tag)) && RULES.group(out, field.options[around.known.get(field.tag)], values, around),
  array(out, field, list, {path, known}) {
    if (!counted(out, field, list, path)) return;
    list.forEach((value, index) => write(out, field.element, value, {path: `${path}[${index}]`, known}));
  },
  series(out, field, list, {path, known}) {
    if (!counted(out, field, list, path)) return;
    let before = null;
    list.forEach((value, index) => {
      const found = stepsOf(field.element, value), here = `${path}[${index}]`;
      if (index && found && before !== null) difference(out, field, found.steps - before, found.steps, here);
      else write(out, field.element, value, {path: here, known});
      if (index && found && before !== null) tell(out, field.element, here, value, found.sent);
      before = found && found.steps;
    });
  },
};
function counted(out, field, list, path) {
  if (list.length < field.least || list.length > field.most) {
    out.refuse(path, `has ${plural(list.length, "value")}, not ${field.least} to ${field.most}`);
    return false;
  }
  out.count(field, list.length);
  return true;
}
// A difference of samples: of fixed width, perhaps led by an escape, or in groups, the lowest first.
function difference(out, field, delta, steps, path) {
  if (field.group) {
    const group = BigInt(field.group);
    let rest = delta >= 0n ? 2n * delta : -2n * delta - 1n;
    do {
      const more = rest >> group ? 1n : 0n;
      out.put(more << group | rest & (1n << group) - 1n, field.group + 1, true);
      rest >>= group;
    } while (rest);
    return;
  }
  const half = 1n << BigInt(field.delta - 1), fits = delta < half && delta >= (field.escape ? 1n - half : -half);
  if (!fits && !field.escape) return out.refuse(path, `lies ${delta} steps from the one before, not ${-half} to ${half - 1n}`);
  out.put(fits ? BigInt.asUintN(field.delta, delta) : half, field.delta, true);
  if (!fits) out.put(BigInt.asUintN(field.element.bits, steps), field.element.bits, field.element.ordered);
}
function tell(out, field, path, value, sent) {
  if (differ(value, sent)) out.told.push(`${path} is sent as ${sent}${field.unit ? ` ${field.unit}` : ""}`);
}
// Puts a value down; returns it as those who count from it or choose by it know it.
function write(out, field, value, around) {
  const sent = RULES[field.rule](out, field, value, around);
  if (typeof sent === "string") tell(out, field, around.path, value, sent);
  return typeof sent === "string" ? sent : value;
}
function packing(form, values) {
  const out = new Packing(form);
  RULES.group(out, form, values, {path: "", known: new Map()});
  return {wrong: out.wrong, told: out.told, octets: () => out.octets()};
}

// --- values to be given -------------------------------------------------------------------------
// A control for a field: its element, and ``read``, which gives the value that stands there, by those before it.
const SHOWN = 2;  // groups of controls to begin with
const LISTED = ["steps", "entries", "float", "codes", "octets", "text"];
const ofCommas = (words) => words.trim() ? words.split(",").map((one) => one.trim()) : [];
function control(field, label, id, changed) {
  if (field.rule === "group") return several(field, label, id, changed);
  if (field.rule === "union") return choice(field, label, id, changed);
  if (field.rule === "array" || field.rule === "series") return list(field, label, id, changed);
  if (field.rule === "flags") {
    const boxes = Object.keys(field.flags).map((name) => [name, el("input", {type: "checkbox", checked: field.given.includes(name), onchange: changed})]);
    return {node: el("fieldset", {}, el("legend", {}, label), boxes.map(([name, box]) => el("label", {}, box, name))),
      read: () => boxes.filter(([, box]) => box.checked).map(([name]) => name)};
  }
  const names = Object.keys(field.codes || field.special || {});
  const input = field.codes ? el("select", {id, onchange: changed}, names.map((name) => el("option", {selected: name === field.given}, name)))
    : el("input", {id, value: field.given, oninput: changed, list: names.length ? `${id}-names` : null, autocomplete: "off"});
  return {node: titled(united(field, label), id, input, !field.codes && names.length ? el("datalist", {id: `${id}-names`}, names.map((name) => el("option", {value: name}))) : null),
    read: () => input.value, input};
}
const titled = (label, id, ...inside) => el("div", {}, el("label", {for: id}, label), el("br"), ...inside);
const united = (field, label) => `${label}${field.unit ? `, ${field.unit}` : ""}`;
const sized = (field) => field.least === field.most ? String(field.most) : `${field.least} to ${field.most}`;
function several({fields: parts}, label, id, changed) {
  const inside = parts.map((field, index) => {
    if (field.rule === "always") return null;
    const made = control(field, field.name, `${id}-${index}`, changed);
    if (!("there" in field)) return [field.name, made];
    const there = el("input", {type: "checkbox", checked: field.there, "aria-label": `${field.name} is there`, onchange: changed});
    (made.node.querySelector("legend") || made.node).prepend(there, " ");
    return [field.name, {...made, there}];
  }).filter(Boolean);
  const rows = inside.map(([, made]) => made.node);
  return {node: label ? el("fieldset", {}, el("legend", {}, label), el("div", {class: "fields"}, rows)) : el("div", {class: "fields"}, rows),
    read(known = {}) {
      const values = {};
      for (const [name, made] of inside) if (!made.there || made.there.checked) values[name] = made.read({...known, ...values});
      return values;
    }};
}
// One group of several, as an earlier field chooses: only its controls are shown.
function choice(field, label, id, changed) {
  const options = Object.entries(field.options).map(([name, group], index) => [name, several(group, "", `${id}-${index}`, changed)]);
  return {node: el("fieldset", {}, el("legend", {}, label), options.map(([, made]) => made.node)), read(known) {
    const [chosen, made] = options.find(([name]) => name === known[field.tag]) || options[0];
    for (const [name, one] of options) one.node.hidden = name !== chosen;
    return made.read(known);
  }};
}
// What repeats: with commas between, a line for each list inside, or one group of controls for each.
function list(field, label, id, changed) {
  const {element} = field, inner = element.element;
  if (LISTED.includes(element.rule) || inner && LISTED.includes(inner.rule)) {
    const row = inner ? Array(element.usual).fill(inner.given).join(", ") : element.given;
    const input = el("textarea", {id, rows: inner ? 4 : 2, oninput: changed, spellcheck: "false"}, Array(field.usual).fill(row).join(inner ? "\n" : ", "));
    const words = `${united(inner || element, label)}: ${sized(field)} ${inner ? `lines of ${sized(element)} values` : "values"}, commas between`;
    return {node: titled(words, id, input), input,
      read: () => inner ? input.value.split("\n").filter((line) => line.trim()).map(ofCommas) : ofCommas(input.value)};
  }
  let made = [];
  const place = el("div"), told = el("span", {"aria-live": "polite"}), more = el("button", {type: "button", class: "plain", onclick: () => resize(made.length + 1)}, "One more");
  const less = el("button", {type: "button", class: "plain", onclick: () => resize(made.length - 1)}, "One less");
  function resize(count, after = changed) {
    made = Array.from({length: count}, (_, index) => made[index] || control(element, `${label} ${index + 1}`, `${id}-${index}`, changed));
    place.replaceChildren(...made.map((one) => one.node));
    told.textContent = `${count}, of ${sized(field)} `;
    more.disabled = count >= field.most;
    less.disabled = count <= field.least;
    after();
  }
  resize(Math.max(field.least, Math.min(field.usual, SHOWN)), () => {});
  return {node: el("fieldset", {}, el("legend", {}, label), place, el("p", {}, told, more, " ", less)), read: (known) => made.map((one) => one.read(known)), resize};
}
function drawPacking(message) {
  const part = byId(`${message.id}-pack`), shown = part.querySelector(".octets");
  const root = several(message.packing, "", `${message.id}-value`, pack);
  function pack() {
    const {wrong, told, ...out} = packing(message.packing, root.read());
    const octets = wrong.length ? [] : out.octets();
    const words = wrong.length ? wrong.map(([path, why]) => `${path} ${why}`) : [`${plural(octets.length, "octet")}: ${octets.join(" ")}`, ...told];
    shown.textContent = words.slice(0, 9).join("; ") + (words.length > 9 ? `; and ${words.length - 9} more` : "");
    shown.classList.toggle("bad", wrong.length > 0);
  }
  part.querySelector(".fields").replaceWith(root.node);
  pack();
}
