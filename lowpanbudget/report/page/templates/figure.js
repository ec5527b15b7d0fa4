"use strict";
// What every page has: frames drawn field by field. Text of designs and captures is only ever set as text.
const el = (name, attributes, ...children) => {
  const made = document.createElement(name);
  for (const [key, value] of Object.entries(attributes || {})) {
    if (value === false || value === null || value === undefined) continue;
    if (key.startsWith("on")) made.addEventListener(key.slice(2), value);
    else made.setAttribute(key, value === true ? "" : value);
  }
  for (const child of children.flat()) if (child !== null && child !== undefined) made.append(child);
  return made;
};
const plural = (count, word) => `${count} ${word}${Math.abs(count) === 1 ? "" : "s"}`;
const byId = (id) => document.getElementById(id);
const fill = (id, ...children) => byId(id).replaceChildren(...children.flat().filter((one) => one !== null));
const detail = byId("detail");
const LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";

let data = null, fields = [], current = 1, columns = 32;

const text = (number) => data.texts[number];
const look = (kind) => data.kinds[kind][1] ? "room" : `k${data.kinds[kind][2]}`;
const letter = (kind) => data.kinds[kind][1] ? "" : LETTERS[data.kinds[kind][2]];

// --- the frame ----------------------------------------------------------------------------------
function fieldsOf(frame, start = 0) {
  const made = [];
  let offset = start;
  for (const number of frame) {
    const [label, kind, members] = data.segments[number];
    for (const member of members) {
      const [bits, name, sent, says, meaning, cite, removed, little] = data.fields[member];
      made.push({number: made.length + 1, offset, bits, look: look(kind), letter: letter(kind), label: text(label), name: text(name), sent: text(sent),
        says: text(says), meaning: text(meaning), cite: data.cites[cite], removed: text(removed), little: little > 0});
      offset += bits;
    }
  }
  return made;
}
// Pieces of fields by row; whole rows between the first and the last of a long field are folded.
function rowsOf(several, width) {
  const rows = [];
  for (const field of several) {
    const end = field.offset + field.bits, first = Math.floor(field.offset / width), last = Math.floor((end - 1) / width);
    for (let row = first; row <= last; row++) {
      if (last - first > 5 && row > first + 1 && row < last - 1) {
        if (row === first + 2) rows.push({at: row * width, fold: field, bits: (last - first - 3) * width});
        continue;
      }
      const from = Math.max(field.offset, row * width), to = Math.min(end, (row + 1) * width);
      const piece = {field, column: from % width, bits: to - from, comes: from > field.offset, goes: to < end};
      const open = rows[rows.length - 1];
      if (open && !open.fold && open.at === row * width) open.pieces.push(piece);
      else rows.push({at: row * width, pieces: [piece]});
    }
  }
  return rows;
}
function fits(name, bits) {
  const each = columns === 32 ? 3.9 : columns === 16 ? 2.7 : 5, letters = Math.floor(bits * each) - 1;
  return name.split(" ").every((word) => word.length <= letters) && name.length + 4 <= letters * 2.2;
}
function cell(piece, still) {
  const {field} = piece, shown = fits(field.name, piece.bits), bare = columns === 16 && piece.bits === 1;
  const mark = `${bare ? "" : field.letter}${field.number}`;  // two signs are all that one bit of sixteen holds
  const valued = shown && field.says && !piece.comes && piece.bits >= columns / 8 * 3 && field.says.length < piece.bits * 1.6;
  const words = [...shown ? [field.name] : [], ...valued ? [field.says] : []];
  const made = el(still ? "span" : "button", {class: `cell ${field.look}${piece.comes ? " comes" : ""}${piece.goes ? " goes" : ""}`,
    ...still ? {} : {type: "button", "data-field": field.number, tabindex: field.number === current && !piece.comes ? 0 : -1,
      "aria-current": field.number === current ? "true" : false, title: field.name,
      "aria-label": `${mark} ${words.join(" ")}${shown ? "" : `, ${field.name}`}, ${plural(field.bits, "bit")}${piece.comes ? ", continued" : ""}`}},
    el("b", {}, `${mark} `), words.map((word, at) => el("i", {class: at ? "dim" : ""}, `${word} `)));
  made.style.gridColumn = `${piece.column + 2} / span ${piece.bits}`;
  return made;
}
function drawFrame(figure, several, still = false) {
  const ruler = el("div", {class: "row ruler", "aria-hidden": "true"}, Array.from({length: columns}, (_, bit) => {
    const tick = el("span", {class: bit % 8 ? "" : "eight"}, bit % 8 && columns > 16 ? (bit % 4 ? "" : String(bit)) : String(bit));
    tick.style.gridColumn = String(bit + 2);
    return tick;
  }));
  const rows = rowsOf(several, columns).map((row) => {
    const at = el("span", {class: "at"}, String(row.at / 8));
    if (row.fold) {
      return el("div", {class: "row"}, at, el(still ? "span" : "button", {class: `cell fold ${row.fold.look}`,
        ...still ? {} : {type: "button", "data-field": row.fold.number, tabindex: -1, }},
        `${row.fold.name}: ${row.bits / 8} octets more`));
    }
    return el("div", {class: "row"}, at, row.pieces.map((piece) => cell(piece, still)));
  });
  figure.className = `frame c${columns}`;
  figure.replaceChildren(ruler, ...rows);
}
const sizeOf = (bits) => bits % 8 ? plural(bits, "bit") : plural(bits / 8, "octet");
// Fields of one label that follow each other.
function runsOf(several) {
  const runs = [];
  for (const field of several) {
    const last = runs[runs.length - 1];
    if (last && last.label === field.label) { last.bits += field.bits; last.fields.push(field); }
    else runs.push({label: field.label, look: field.look, letter: field.letter, bits: field.bits, fields: [field]});
  }
  return runs;
}
const swatch = (run) => el("span", {class: `swatch ${run.look}`}, run.letter);
function drawKey() {
  fill("key", runsOf(fields).map((run) => el("li", {}, swatch(run), `${run.label} ${sizeOf(run.bits)}`)));
}
const place = (field) => {
  const first = Math.floor(field.offset / 8), last = Math.floor((field.offset + field.bits - 1) / 8), bit = field.offset % 8;
  const octets = first === last ? `octet ${first}` : `octets ${first} to ${last}`;
  if (bit === 0 && field.bits % 8 === 0) return octets;
  return `${octets}, ${field.bits === 1 ? `bit ${bit}` : `bits ${bit} to ${bit + field.bits - 1}`}`;
};
const cited = ([words, link]) => link ? el("a", {href: link, rel: "noreferrer"}, words) : words;
function drawDetail() {
  const field = fields[current - 1];
  if (!field) return;
  const facts = [["place", `${place(field)}${field.little ? ", counted from the least significant bit as the standard's figures do" : ""}`],
    ["size", sizeOf(field.bits)], [field.little && field.bits % 8 > 1 ? "binary" : "sent", field.sent], ["value", field.says],
    ["meaning", field.meaning], ["clause", field.cite[0] ? cited(field.cite) : ""], ["made smaller by", field.removed]];
  detail.replaceChildren(el("h3", {}, `${field.letter}${field.number} ${field.name}`),
    el("dl", {}, facts.filter(([, value]) => value).map(([name, value]) => el("div", {}, el("dt", {}, name), el("dd", {}, value)))));
  // a wide figure has it at its foot; in a narrow one, longer than the screen, it opens under the chosen field
  const cells = columns < 32 ? byId("frame").querySelectorAll("[aria-current]") : [];
  (cells.length ? cells[cells.length - 1].parentElement : byId("frame")).after(detail);
}
const note = (words) => words ? [" ", el("span", {class: "note"}, words)] : [];
function drawLedger(id, several, mark, chosen) {
  const row = (field) => el("tr", {id: `${mark}${field.number}`, "aria-current": field.number === chosen ? "true" : false},
    el("td", {class: "mono"}, `${field.letter}${field.number}`), el("th", {scope: "row"}, field.name, note(place(field))),
    el("td", {}, [field.says, field.meaning].filter(Boolean).join(": ") || field.sent, note(field.removed && `smaller: ${field.removed}`)),
    el("td", {}, cited(field.cite)));
  fill(id, runsOf(several).flatMap((run) => [el("tr", {class: "run"}, el("td", {}, swatch(run)),
    el("th", {colspan: 3, scope: "rowgroup"}, `${run.label}, ${sizeOf(run.bits)}`)), ...run.fields.map(row)]));
}
function drawAbsent(list) {
  const rows = data.lists[list].map((number) => data.absent[number]);
  fill("absent", rows.length ? [] : el("tr", {}, el("td"), el("td", {colspan: 3}, "Nothing is restored.")), rows.map(([header, name, says, bits, carried, source, cite]) => el("tr", {}, el("td", {}, text(header)),
    el("th", {scope: "row"}, text(name), note(`${plural(bits, "bit")}, ${carried || "none"} sent`)),
    el("td", {}, text(says), note(text(source))), el("td", {}, cited(data.cites[cite])))));
}

// The frame, its key, the chosen field and both tables; ``list`` names what receivers restore.
function drawFigure(frame, list) {
  fields = fieldsOf(frame);
  current = Math.min(Math.max(current, 1), fields.length);
  drawFrame(byId("frame"), fields);
  drawKey(); drawDetail(); drawLedger("ledger", fields, "f", current); drawAbsent(list);
}
function pick(number, {focus = false} = {}) {
  document.documentElement.classList.add("chosen");
  current = Math.min(Math.max(number, 1), fields.length);
  for (const one of document.querySelectorAll("#frame .cell")) {
    const on = Number(one.dataset.field) === current;
    one.toggleAttribute("aria-current", on);
    if (on) one.setAttribute("aria-current", "true");
    one.tabIndex = on && !one.classList.contains("comes") && !one.classList.contains("fold") ? 0 : -1;
    if (on && focus && one.tabIndex === 0) one.focus();
  }
  for (const row of byId("ledger").rows) {
    if (row.id === `f${current}`) row.setAttribute("aria-current", "true");
    else row.removeAttribute("aria-current");
  }
  drawDetail();
  link();
}
function keys(event) {
  if (!event.target.closest(".cell")) return;
  const moves = {ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1, Home: -Infinity, End: Infinity};
  const move = moves[event.key];
  if (move === undefined) return;
  event.preventDefault();
  pick(current + move === -Infinity ? 1 : Math.min(current + move, 1e6), {focus: true});
}
// paper has the width of a figure of 32 bits, whatever the screen
const narrow = [matchMedia("screen and (max-width: 24rem)"), matchMedia("screen and (max-width: 61rem)")];
const wanted = () => narrow[0].matches ? 8 : narrow[1].matches ? 16 : 32;
const part = (words) => { try { return decodeURIComponent(words); } catch { return ""; } };
const linked = () => location.hash.slice(1).split("/").map(part);
// whether a link leads to a part of the page, rather than to what it is to show
const leads = (id) => Boolean(id) && byId(id) !== null && /-title$/.test(id);
const linkTo = (parts) => history.replaceState(null, "", `#${parts.map(encodeURIComponent).join("/")}`);
// Rows of columns: see where the page is packed. A row ends where a column has nothing for it.
const rowsIn = ([count, ...several]) => Array.from({length: count}, (_, row) => several.map((column) => column[row]).filter((value) => value !== null));
// The same where columns have the steps from one number to the next.
const sums = (column, sum = 0) => column.map((step) => step === null ? null : sum += step);
const stepsIn = ([count, ...several]) => rowsIn([count, ...several.map((column) => sums(column))]);
// The octets of base 85, four for five signs; see where the page is packed.
const BASE_85 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz!#$%,()*+-;.=:?@^_`{|}~";
function octetsIn(packed) {
  const values = new Map([...BASE_85].map((sign, value) => [sign, value])), left = (5 - packed.length % 5) % 5;
  const signs = packed + "~".repeat(left), octets = new DataView(new ArrayBuffer(signs.length / 5 * 4));
  for (let at = 0; at < signs.length; at += 5) {
    let word = 0;
    for (const sign of signs.slice(at, at + 5)) word = word * 85 + values.get(sign);
    octets.setUint32(at / 5 * 4, word);
  }
  return new Uint8Array(octets.buffer, 0, octets.byteLength - left);
}
// Unpacks the data, then lets the page begin; ``redraw`` is called when the width asks for other rows.
async function unpack(begin, redraw) {
  const stream = new Blob([octetsIn(byId("data").textContent.trim())]).stream().pipeThrough(new DecompressionStream("deflate"));
  data = JSON.parse(await new Response(stream).text());
  data.lists = rowsIn(data.lists);
  document.documentElement.classList.add("script");
  columns = wanted();
  begin();
  byId("frame").addEventListener("click", (event) => {
    const one = event.target.closest(".cell");
    if (one) pick(Number(one.dataset.field), {focus: true});
  });
  byId("frame").addEventListener("keydown", keys);
  // what scrolls can be scrolled by keys, and says so; what does not is no stop on the way through the page
  const scrolls = new ResizeObserver((seen) => {
    for (const {target} of seen) {
      const more = target.scrollWidth > target.clientWidth + 1;
      target.classList.toggle("more", more);
      if (more) target.tabIndex = 0;
      else target.removeAttribute("tabindex");
    }
  });
  for (const one of document.querySelectorAll(".wide")) scrolls.observe(one);
  const widen = () => { if (wanted() !== columns) { columns = wanted(); redraw(); } };
  for (const one of narrow) one.addEventListener("change", widen);
  const folded = () => document.querySelectorAll("details:not([open])");
  let opened = [];
  addEventListener("beforeprint", () => { opened = [...folded()]; for (const one of opened) one.open = true; });
  addEventListener("afterprint", () => { for (const one of opened) one.open = false; });
  document.documentElement.dataset.ready = "yes";
}
