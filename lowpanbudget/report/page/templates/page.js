"use strict";
// A page of a design: every number shown was encoded when the page was made; nothing is added up here.
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
const LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ";

let data = null, flow = null, hop = 0, chosen = [], current = 0, columns = 32;

const text = (number) => data.texts[number];
const look = (kind) => data.kinds[kind][1] ? "room" : `k${kind % 8}`;
const letter = (kind) => data.kinds[kind][1] ? "" : LETTERS[kind % 26];

// --- states -------------------------------------------------------------------------------------
// A state's number counts its settings like digits: the last one turns fastest.
function stateOf(values) {
  if (!flow.whole) {
    const ids = flow.settings.flatMap((setting, at) => values[at] ? [setting.changes[values[at] - 1].id] : []);
    return flow.ids.findIndex((other) => other.length === ids.length && ids.every((id) => other.includes(id)));
  }
  return flow.settings.reduce((number, setting, at) => number * (setting.changes.length + 1) + values[at], 0);
}
const roomOf = (values, at = hop) => {
  const rooms = flow.rooms[stateOf(values)];
  return rooms ? rooms[at] : null;
};
const having = (at, value) => chosen.map((old, index) => index === at ? value : old);
function offer(at, value) {  // the words that hold where the other settings are as they are
  const column = flow.settings.slice(0, at).reduce((sum, one) => sum + one.changes.length, 0) + value - 1;
  const offers = flow.offers[stateOf(having(at, 0))];
  return offers && offers[column] >= 0 ? text(offers[column]) : null;
}

// --- the frame ----------------------------------------------------------------------------------
function fieldsOf(frame) {
  const fields = [];
  let offset = 0;
  for (const number of frame) {
    const [label, kind, members] = data.segments[number];
    for (const member of members) {
      const [bits, name, sent, says, meaning, cite, removed, little] = data.fields[member];
      fields.push({number: fields.length + 1, offset, bits, look: look(kind), letter: letter(kind), label: text(label), name: text(name), sent: text(sent),
        says: text(says), meaning: text(meaning), cite: data.cites[cite], removed: text(removed), little: little > 0});
      offset += bits;
    }
  }
  return fields;
}
// Pieces of fields by row; whole rows between the first and the last of a long field are folded.
function rowsOf(fields, width) {
  const rows = [];
  for (const field of fields) {
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
  const {field} = piece, shown = fits(field.name, piece.bits);
  const valued = shown && field.says && !piece.comes && piece.bits >= columns / 8 * 3 && field.says.length < piece.bits * 1.6;
  const words = [`${field.letter}${field.number}`, ...shown ? [field.name] : [], ...valued ? [field.says] : []];
  const made = el(still ? "span" : "button", {class: `cell ${field.look}${piece.comes ? " comes" : ""}${piece.goes ? " goes" : ""}`,
    ...still ? {} : {type: "button", "data-field": field.number, tabindex: field.number === current && !piece.comes ? 0 : -1,
      "aria-current": field.number === current ? "true" : false, title: field.name,
      "aria-label": `${words.join(" ")}${shown ? "" : `, ${field.name}`}, ${plural(field.bits, "bit")}${piece.comes ? ", continued" : ""}`}},
    el("b", {}, `${words[0]} `), words.slice(1).map((word, at) => el("i", {class: at ? "dim" : ""}, `${word} `)));
  made.style.gridColumn = `${piece.column + 2} / span ${piece.bits}`;
  return made;
}
function drawFrame(figure, fields, still = false) {
  const ruler = el("div", {class: "row ruler", "aria-hidden": "true"}, Array.from({length: columns}, (_, bit) => {
    const tick = el("span", {class: bit % 8 ? "" : "eight"}, bit % 8 && columns > 16 ? (bit % 4 ? "" : String(bit)) : String(bit));
    tick.style.gridColumn = String(bit + 2);
    return tick;
  }));
  const rows = rowsOf(fields, columns).map((row) => {
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
function drawKey(fields) {
  const runs = [];
  for (const field of fields) {
    const last = runs[runs.length - 1];
    if (last && last.label === field.label) last.bits += field.bits;
    else runs.push({label: field.label, look: field.look, letter: field.letter, bits: field.bits});
  }
  fill("key", runs.map((run) => el("li", {}, el("span", {class: `swatch ${run.look}`}, run.letter),
    `${run.label} ${run.bits % 8 ? plural(run.bits, "bit") : plural(run.bits / 8, "octet")}`)));
}
const place = (field) => {
  const first = Math.floor(field.offset / 8), last = Math.floor((field.offset + field.bits - 1) / 8), bit = field.offset % 8;
  const octets = first === last ? `octet ${first}` : `octets ${first} to ${last}`;
  if (bit === 0 && field.bits % 8 === 0) return octets;
  return `${octets}, ${field.bits === 1 ? `bit ${bit}` : `bits ${bit} to ${bit + field.bits - 1}`}`;
};
const cited = ([words, link]) => link ? el("a", {href: link, rel: "noreferrer"}, words) : words;
function drawDetail(fields) {
  const field = fields[current - 1];
  if (!field) return;
  const facts = [["place", `${place(field)}${field.little ? ", counted from the least significant bit as the standard's figures do" : ""}`],
    ["size", field.bits % 8 ? plural(field.bits, "bit") : plural(field.bits / 8, "octet")], ["sent", field.sent], ["value", field.says],
    ["meaning", field.meaning], ["clause", field.cite[0] ? cited(field.cite) : ""], ["made smaller by", field.removed]];
  fill("detail", el("h3", {}, `${field.letter}${field.number} ${field.name}`),
    el("dl", {}, facts.filter(([, value]) => value).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)])));
}
function drawLedger(fields) {
  fill("ledger", fields.map((field) => el("tr", {id: `f${field.number}`, "aria-current": field.number === current ? "true" : false},
    el("td", {class: "mono"}, `${field.letter}${field.number}`), el("td", {}, field.label), el("td", {}, place(field)),
    el("th", {scope: "row"}, field.name), el("td", {}, [field.says, field.meaning].filter(Boolean).join(": ") || field.sent),
    el("td", {}, cited(field.cite)), el("td", {}, field.removed))));
}
function drawAbsent(state) {
  const rows = data.lists[flow.restored[state][hop]].map((number) => data.absent[number]);
  fill("absent", rows.map(([header, name, says, bits, carried, source, cite]) => el("tr", {}, el("td", {}, text(header)),
    el("th", {scope: "row"}, text(name)), el("td", {class: "n"}, String(bits)), el("td", {class: "n"}, String(carried)),
    el("td", {}, text(says)), el("td", {}, text(source)), el("td", {}, cited(data.cites[cite])))));
}

// --- settings -----------------------------------------------------------------------------------
function drawSettings() {
  const now = roomOf(chosen);
  fill("settings", flow.settings.map((setting, at) => {
    const options = [["as the design has it", null, 0], ...setting.changes.map((change, index) => [offer(at, index + 1), change, index + 1])];
    return el("fieldset", {}, el("legend", {}, setting.key), options.map(([words, change, value]) => {
      const room = roomOf(having(at, value)), picked = chosen[at] === value, gain = room === null ? null : room - now;
      const refused = flow.refused[stateOf(having(at, value))];
      const why = refused !== undefined ? text(refused) : stateOf(having(at, value)) < 0 ? "not encoded together with the others" : "";
      const name = `s${at}`, id = `${name}v${value}`;
      return el("div", {}, el("label", {for: id, class: room === null ? "off" : ""},
        el("input", {type: "radio", name, id, value, checked: picked, disabled: room === null, onchange: () => choose(at, value)}),
        el("span", {}, words || `${change.value}: changes nothing here`, " ",
          picked || gain === null ? null : el("span", {class: "gain"}, gain > 0 ? `+${gain}` : String(gain)),
          change && text(change.condition) ? el("span", {class: "note"}, `If: ${text(change.condition)}`) : null,
          change && text(change.caution) ? el("span", {class: "note bad"}, `No advice: ${text(change.caution)}`) : null,
          why ? el("span", {class: "note"}, why) : null)));
    }));
  }));
  byId("reset").hidden = chosen.every((value) => value === 0);
  byId("capped").hidden = flow.whole;
}
function choose(at, value) {
  chosen = having(at, value);
  draw();
  byId(`s${at}v${value}`).focus();
}

// --- payload ------------------------------------------------------------------------------------
function drawPayload(state) {
  const steps = flow.cliffs[state] && flow.cliffs[state][hop], room = flow.rooms[state][hop];
  byId("payload").hidden = !steps || !steps.length;
  byId("no-payload").hidden = !byId("payload").hidden;
  if (byId("payload").hidden) return;
  const slider = byId("size");
  slider.max = steps[steps.length - 1][0];
  const say = () => {
    const size = Number(slider.value), step = steps.find(([most]) => size <= most);
    byId("says").textContent = `${plural(size, "octet")}: ${plural(step[1], "frame")}, ${step[0] - size} left before the next`;
  };
  slider.oninput = say;
  slider.value = Math.max(room, 0);
  say();
  fill("cliffs", steps.map(([most, frames]) => el("tr", {}, el("td", {class: "n"}, String(frames)), el("td", {class: "n"}, String(most)))));
}

// --- messages -----------------------------------------------------------------------------------
function drawMessages() {
  for (const message of data.messages) {
    let offset = 0;
    const fields = message.fields.map(([name, bits, padding], at) => {
      offset += bits;
      return {number: at + 1, offset: offset - bits, bits, name: text(name), letter: "", says: "",
        look: padding ? "room" : `k${message.names.indexOf(name) % 8}`};
    });
    drawFrame(byId(message.id), fields, true);
  }
}

// --- all of it ----------------------------------------------------------------------------------
function answer(room, octets) {
  const where = `${flow.name}, ${flow.hops[hop].name} hop`;
  if (room < 0) return [`On ${where}, `, el("strong", {}, "nothing fits"), `: the headers alone are ${plural(-room, "octet")} over.`];
  return [`On ${where}, one frame carries `, el("strong", {}, `${plural(room, "octet")} of your data`), `: ${plural(octets - room, "octet")} of ${octets} are headers and trailer.`];
}
function draw() {
  const state = stateOf(chosen), rooms = flow.rooms[state];
  if (!rooms) return;
  const fields = fieldsOf(flow.frames[state][hop]), octets = fields.reduce((sum, field) => sum + field.bits, 0) / 8;
  current = Math.min(Math.max(current, 1), fields.length);
  fill("answer", answer(rooms[hop], octets));
  fill("cautions", flow.hops[hop].cautions.map((words) => el("li", {}, words)));
  drawFrame(byId("frame"), fields); drawKey(fields); drawDetail(fields); drawLedger(fields); drawAbsent(state); drawSettings(); drawPayload(state);
  document.documentElement.dataset.room = rooms[hop];
  link();
}
function pick(number, {focus = false} = {}) {
  const fields = fieldsOf(flow.frames[stateOf(chosen)][hop]);
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
  drawDetail(fields);
  link();
}
// A place in the page as a link: flow, hop, settings, field.
function link() {
  const parts = [flow.name, flow.hops[hop].name, ...flow.settings.flatMap((setting, at) => chosen[at] ? [setting.changes[chosen[at] - 1].id] : []), `field-${current}`];
  history.replaceState(null, "", `#${parts.map(encodeURIComponent).join("/")}`);
}
function follow() {
  const parts = location.hash.slice(1).split("/").map((part) => { try { return decodeURIComponent(part); } catch { return ""; } });
  flow = data.flows.find((one) => one.name === parts[0]) || data.flows[0];
  hop = Math.max(flow.hops.findIndex((one) => one.name === parts[1]), 0);
  chosen = flow.settings.map((setting) => setting.changes.findIndex((change) => parts.includes(change.id)) + 1);
  if (stateOf(chosen) < 0 || !flow.rooms[stateOf(chosen)]) chosen = chosen.map(() => 0);
  const field = parts.find((part) => /^field-\d+$/.test(part));
  current = field ? Number(field.slice(6)) : 1;
  drawChoices();
  draw();
}
function drawChoices() {
  fill("flow", data.flows.map((one, at) => el("option", {value: at, selected: one === flow}, `${one.name} (${one.direction})`)));
  byId("flow").value = data.flows.indexOf(flow);
  fill("hops", el("legend", {}, "Hop"), flow.hops.map((one, at) => el("label", {},
    el("input", {type: "radio", name: "hop", value: at, checked: at === hop, onchange: () => { hop = at; draw(); }}), one.name)));
}
function changeFlow(event) {
  const ids = flow.settings.flatMap((setting, at) => chosen[at] ? [setting.changes[chosen[at] - 1].id] : []);
  flow = data.flows[Number(event.target.value)];
  hop = Math.min(hop, flow.hops.length - 1);
  // what the whole design shares stays as it was set
  chosen = flow.settings.map((setting) => setting.changes.findIndex((change) => ids.includes(change.id)) + 1);
  if (!flow.rooms[stateOf(chosen)]) chosen = chosen.map(() => 0);
  drawChoices();
  draw();
}
function keys(event) {
  const moves = {ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1, Home: -Infinity, End: Infinity};
  const move = moves[event.key];
  if (move === undefined) return;
  event.preventDefault();
  pick(current + move === -Infinity ? 1 : Math.min(current + move, 1e6), {focus: true});
}
const narrow = [matchMedia("(max-width: 24rem)"), matchMedia("(max-width: 61rem)")];
function widen() {
  const wanted = narrow[0].matches ? 8 : narrow[1].matches ? 16 : 32;
  if (wanted !== columns) { columns = wanted; draw(); drawMessages(); }
}
async function begin() {
  const packed = Uint8Array.from(atob(byId("data").textContent.trim()), (char) => char.charCodeAt(0));
  const stream = new Blob([packed]).stream().pipeThrough(new DecompressionStream("deflate"));
  data = JSON.parse(await new Response(stream).text());
  document.documentElement.classList.add("script");
  columns = narrow[0].matches ? 8 : narrow[1].matches ? 16 : 32;
  follow();
  drawMessages();
  byId("flow").addEventListener("change", changeFlow);
  byId("frame").addEventListener("click", (event) => {
    const one = event.target.closest(".cell");
    if (one) pick(Number(one.dataset.field), {focus: true});
  });
  byId("frame").addEventListener("keydown", keys);
  byId("reset").addEventListener("click", () => { chosen = chosen.map(() => 0); draw(); byId("settings").querySelector("input").focus(); });
  for (const one of narrow) one.addEventListener("change", widen);
  addEventListener("hashchange", follow);
  document.documentElement.dataset.ready = "yes";
}
begin();
