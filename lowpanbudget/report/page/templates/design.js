// A page of a design: every number shown was encoded when the page was made; nothing is added up here.
let flow = null, hop = 0, chosen = [];

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
  const bars = steps.map(([most, frames], index) => {
    const bar = el("span", {}, String(frames));
    bar.style.flexGrow = String(most - (index ? steps[index - 1][0] : 0));
    return bar;
  });
  fill("steps", bars);
  const say = () => {
    const size = Number(slider.value), step = steps.find(([most]) => size <= most);
    bars.forEach((bar, index) => bar.classList.toggle("on", index < step[1]));
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
    const several = message.fields.map(([name, bits, padding], at) => {
      offset += bits;
      return {number: at + 1, offset: offset - bits, bits, name: text(name), letter: "", says: "",
        look: padding ? "room" : `k${message.names.indexOf(name) % 8}`};
    });
    drawFrame(byId(message.id), several, true);
  }
}

// --- values in, octets out ----------------------------------------------------------------------
// A decimal as a whole number of so many places, exactly; null for what is no number.
function scaled(words, places) {
  const parts = /^\s*([+-]?)(\d*)(?:\.(\d*))?(?:[eE]([+-]?\d{1,3}))?\s*$/.exec(words);
  if (!parts || !(parts[2] || parts[3])) return null;
  const shift = Number(parts[4] || 0), fraction = parts[3] || "";
  let number = BigInt(parts[2] + fraction || "0") * (parts[1] === "-" ? -1n : 1n);
  const more = places + shift - fraction.length;
  if (more < 0) return null;
  return number * 10n ** BigInt(more);
}
const placesOf = (words) => {
  const parts = /^[^.eE]*(?:\.(\d*))?(?:[eE]([+-]?\d{1,3}))?/.exec(words.trim());
  return Math.max(0, (parts[1] || "").length - Number(parts[2] || 0));
};
function written(number, places) {
  const sign = number < 0n ? "-" : "", digits = (number < 0n ? -number : number).toString().padStart(places + 1, "0");
  const fraction = digits.slice(digits.length - places).replace(/0+$/, "");
  return sign + digits.slice(0, digits.length - places) + (places && fraction ? `.${fraction}` : "");
}
// The code of a value and the value that a receiver reads: the nearest step, of two as near the even one.
function coded(field, words) {
  if (field.codes) return {code: BigInt(field.codes[words]), sent: words};
  if (words in field.special) return {code: BigInt(field.special[words]), sent: words};
  const places = Math.max(...[words, field.base, field.step, field.min, field.max].map(placesOf));
  if (places > 60) return null;
  const [value, base, step, least, most] = [words, field.base, field.step, field.min, field.max].map((one) => scaled(one, places));
  if (value === null || value < least || value > most) return null;
  const away = value - base, floor = away >= 0n ? away / step : -((step - 1n - away) / step), twice = 2n * (away - floor * step);
  const steps = twice > step || (twice === step && floor % 2n !== 0n) ? floor + 1n : floor;
  return {code: BigInt.asUintN(field.bits, steps), sent: written(base + steps * step, places)};
}
const hexOf = (words) => words.replace(/\s+/g, "");
// The code and width of a field's value, or what is wrong; ``sent`` where a receiver reads another value.
function codeOf(field, input) {
  if ("always" in field) return [[BigInt(field.always), field.bits, field.ordered]];
  if (field.flags) return [[input.filter(([, box]) => box.checked).reduce((sum, [name]) => sum | BigInt(field.flags[name]), 0n), field.bits, false]];
  if ("least" in field) {
    const hex = hexOf(input.value), count = hex.length / 2;
    if (!/^([0-9a-fA-F]{2})*$/.test(hex) || count < field.least || count > field.most) return `${field.name} is not ${field.least} to ${field.most} octets in hex`;
    const octets = (hex.match(/../g) || []).map((pair) => [BigInt(`0x${pair}`), 8, false]);
    return field.count ? [[BigInt(count - field.least), field.count, true], ...octets] : octets;
  }
  const found = coded(field, input.value);
  if (!found) return `${field.name} is not in ${field.min} to ${field.max}${field.unit ? ` ${field.unit}` : ""}`;
  return Object.assign([[found.code, field.bits, field.ordered]], {sent: field.codes || field.special[input.value] ? null : found.sent});
}
// The octets of codes one after the other, in the order of bits that the message has.
function laid(codes, {msb, mixed}) {
  let bits = "";
  for (let [code, width, ordered] of codes) {
    if (mixed && ordered && width > 8) {
      const groups = Math.floor(width / 8), rest = width % 8;
      let low = 0n;
      for (let at = 0; at < groups; at++) low = low << 8n | (code >> BigInt(8 * at) & 255n);
      code = low << BigInt(rest) | code >> BigInt(8 * groups);
    }
    const run = width ? code.toString(2).padStart(width, "0") : "";
    bits += msb ? run : [...run].reverse().join("");
  }
  bits = bits.padEnd(Math.ceil(bits.length / 8) * 8, "0");
  return (bits.match(/.{8}/g) || []).map((octet) => parseInt(msb ? octet : [...octet].reverse().join(""), 2).toString(16).padStart(2, "0"));
}
function drawPacking(message) {
  const part = byId(`${message.id}-pack`), {fields: parts, presence, ...order} = message.packing;
  const inputs = [], there = [];
  const pack = () => {
    const told = [], codes = [];
    let wrong = "", bits = 0n, place = 0;
    parts.forEach((field, index) => {
      if (field.optional) {
        const weight = order.msb ? presence - 1 - place : place;
        place += 1;
        if (!there[index].checked) return;
        bits |= 1n << BigInt(weight);
      }
      const found = codeOf(field, inputs[index]);
      if (inputs[index] && inputs[index].setAttribute) inputs[index].setAttribute("aria-invalid", typeof found === "string" ? "true" : "false");
      if (typeof found === "string") { wrong = wrong || found; return; }
      if (found.sent && Number(found.sent) !== Number(inputs[index].value)) told.push(`${field.name} is sent as ${found.sent}`);
      codes.push(...found);
    });
    const octets = laid([[bits, presence, false], ...codes], order);
    part.querySelector(".octets").textContent = wrong || [`${plural(octets.length, "octet")}: ${octets.join(" ")}`, ...told].join("; ");
  };
  const rows = parts.map((field, index) => {
    if ("always" in field) return null;
    const id = `${message.id}-${index}`;
    there[index] = field.optional ? el("input", {type: "checkbox", checked: field.there, onchange: pack, "aria-label": `${field.name} is there`}) : null;
    if (field.flags) {
      inputs[index] = Object.keys(field.flags).map((name) => [name, el("input", {type: "checkbox", checked: field.given.includes(name), onchange: pack})]);
      return el("fieldset", {}, el("legend", {}, there[index], field.name), inputs[index].map(([name, box]) => el("label", {}, box, name)));
    }
    const names = Object.keys(field.codes || field.special || {});
    if (field.codes) inputs[index] = el("select", {id, onchange: pack}, names.map((name) => el("option", {selected: name === field.given}, name)));
    else inputs[index] = el("input", {id, value: field.given, oninput: pack, list: names.length ? `${id}-names` : null, autocomplete: "off"});
    return el("div", {}, there[index], el("label", {for: id}, ` ${field.name}${field.unit ? `, ${field.unit}` : ""}`), el("br"), inputs[index],
      !field.codes && names.length ? el("datalist", {id: `${id}-names`}, names.map((name) => el("option", {value: name}))) : null);
  });
  part.querySelector(".fields").replaceChildren(...rows.filter(Boolean));
  pack();
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
  drawFigure(flow.frames[state][hop], flow.restored[state][hop]);
  const octets = fields.reduce((sum, field) => sum + field.bits, 0) / 8;
  fill("answer", answer(rooms[hop], octets));
  fill("cautions", flow.hops[hop].cautions.map((words) => el("li", {}, words)));
  drawSettings(); drawPayload(state);
  document.documentElement.dataset.room = rooms[hop];
  link();
}
// A place in the page as a link: flow, hop, settings, field.
function link() {
  const parts = [flow.name, flow.hops[hop].name, ...flow.settings.flatMap((setting, at) => chosen[at] ? [setting.changes[chosen[at] - 1].id] : []), `field-${current}`];
  linkTo(parts);
}
function follow() {
  const parts = linked();
  flow = data.flows.find((one) => one.name === parts[0]) || data.flows[0];
  hop = Math.max(flow.hops.findIndex((one) => one.name === parts[1]), 0);
  chosen = flow.settings.map((setting) => setting.changes.findIndex((change) => parts.includes(change.id)) + 1);
  if (stateOf(chosen) < 0 || !flow.rooms[stateOf(chosen)]) chosen = chosen.map(() => 0);
  const field = parts.find((one) => /^field-\d+$/.test(one));
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
function begin() {
  for (const one of data.flows) {
    const hops = one.frames.map(rowsIn);
    one.frames = one.rooms.map((_, state) => hops.map((frames) => frames[state]));
    one.offers = rowsIn(one.offers);
    one.restored = rowsIn(one.restored);
  }
  const asked = linked()[0];
  follow();
  drawMessages();
  for (const message of data.messages) if (message.packing) drawPacking(message);
  byId("flow").addEventListener("change", changeFlow);
  byId("reset").addEventListener("click", () => { chosen = chosen.map(() => 0); draw(); byId("settings").querySelector("input").focus(); });
  if (leads(asked)) byId(asked).scrollIntoView();
  addEventListener("hashchange", () => { if (!leads(linked()[0])) follow(); });
}
unpack(begin, () => { draw(); drawMessages(); });
