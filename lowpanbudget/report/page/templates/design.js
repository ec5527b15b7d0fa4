// A page of a design: every number shown was encoded when the page was made; nothing is added up here.
// ``chosen`` are the values of the flow's settings; ``kept`` all that was chosen, by dimension, of whichever flow.
let flow = null, hop = 0, chosen = [];
const kept = new Map();

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
const weakens = (change) => text(change.caution) !== "";
function drawSettings() {
  const now = roomOf(chosen);
  const sets = (weaker) => flow.settings.flatMap((setting, at) => {
    const options = setting.changes.flatMap((change, index) => weakens(change) === weaker ? [[offer(at, index + 1), change, index + 1]] : []);
    if (!options.length) return [];
    if (!weaker) options.unshift(["as the design has it", null, 0]);
    return [el("fieldset", {}, el("legend", {}, setting.key), note(text(setting.means)), options.map(([words, change, value]) => {
      const room = roomOf(having(at, value)), picked = chosen[at] === value, gain = room === null ? null : room - now;
      const refused = flow.refused[stateOf(having(at, value))];
      const why = refused !== undefined ? text(refused) : stateOf(having(at, value)) < 0 ? "not encoded together with the others" : "";
      const name = `s${at}`, id = `${name}v${value}`;
      return el("div", {}, el("label", {for: id, class: room === null ? "off" : ""},
        el("input", {type: weaker ? "checkbox" : "radio", name, id, value, checked: picked, disabled: room === null,
          onchange: (event) => choose(at, event.target.checked ? value : 0, id)}),
        el("span", {}, words || `${change.value}: changes nothing here`, " ",
          picked || gain === null ? null : el("span", {class: "gain"}, gain < 0 ? String(gain) : `+${gain}`),
          change && text(change.condition) ? el("span", {class: "note"}, `If: ${text(change.condition)}`) : null,
          weaker ? el("span", {class: "note bad"}, `Caution: ${text(change.caution)}`) : null,
          why ? el("span", {class: "note"}, why) : null)));
    }))];
  });
  fill("settings", sets(false));
  fill("weaker", sets(true));
  byId("weaker-part").hidden = !byId("weaker").firstChild;
  byId("reset").hidden = !kept.size;
  byId("capped").hidden = flow.whole;
  byId("whole").hidden = !flow.whole;
}
function choose(at, value, id) {
  chosen = having(at, value);
  flow.settings.forEach((setting, one) => {
    const own = setting.changes.some((change) => change.id === kept.get(setting.dimension));
    if (chosen[one]) kept.set(setting.dimension, setting.changes[chosen[one] - 1].id);
    else if (own || one === at) kept.delete(setting.dimension);
  });
  draw();
  byId(id || `s${at}v${value}`).focus();
}

// What each change gives alone stands on paper, which has no switches.
function drawAlone() {
  const none = flow.settings.map(() => 0);
  let column = 0;
  fill("alone-of", `Of ${flow.name}, ${flow.hops[hop].name} hop: ${plural(roomOf(none), "octet")} of room as the design has it, and with one change so many.`);
  const rows = flow.settings.flatMap((setting, at) => setting.changes.map((change, index) => {
    const room = roomOf(none.map((zero, other) => other === at ? index + 1 : zero)), words = flow.offers[0][column++];
    return [weakens(change), el("tr", {}, el("td", {class: "n"}, room === null ? "-" : String(room)), el("th", {scope: "row"}, text(words),
      note(text(change.condition) && `If: ${text(change.condition)}`),
      weakens(change) ? [" ", el("span", {class: "note bad"}, `Caution: ${text(change.caution)}`)] : null))];
  }));
  const part = (weaker) => rows.flatMap(([weak, row]) => weak === weaker ? [row] : []);
  fill("alone", part(false));
  fill("alone-weaker", part(true));
  byId("alone-weaker-part").hidden = !part(true).length;
}
function drawChanged() {
  const made = flow.settings.flatMap((setting, at) => chosen[at] ? [[at, setting.changes[chosen[at] - 1]]] : []);
  byId("changed").hidden = !made.length;
  fill("changed", "Changed from what the design has: ", made.map(([at, change]) => offer(at, chosen[at]) || change.id).join("; "), ".",
    made.flatMap(([, change]) => weakens(change) ? [el("span", {class: "note bad"}, `Caution: ${text(change.caution)}`)] : []));
}

// What was chosen and is not in what is shown: alone it changes no room of this flow, or it cannot be with the rest.
function drawKept() {
  const shown = flow.settings.map((setting, at) => chosen[at] ? setting.changes[chosen[at] - 1].id : "");
  const left = [...kept.values()].filter((id) => !shown.includes(id)), here = left.some((id) => offered(flow, id));
  byId("kept").hidden = !left.length;
  fill("kept", here ? `Not made of ${flow.name}, as they cannot be, or were not encoded, together: ` : `Chosen as well, and no switch here as it alone changes no room of ${flow.name}: `,
    left.map((id) => data.flows.map((one) => offered(one, id)).find(Boolean)).join("; "), ".");
  document.documentElement.classList.toggle("changed", kept.size > 0);
}
// The words of a change of a flow, as the design has it.
function offered(one, id) {
  const at = one.settings.flatMap((setting) => setting.changes).findIndex((change) => change.id === id);
  return at < 0 ? "" : text(one.offers[0][at]) + (one === flow ? "" : ` (${one.name})`);
}
function keep(ids) {
  kept.clear();
  for (const one of data.flows) for (const {dimension, changes} of one.settings) for (const {id} of changes) if (ids.includes(id)) kept.set(dimension, id);
}
// The values of the flow's settings that were chosen before; none where they cannot be together.
function recall() {
  chosen = flow.settings.map((setting) => setting.changes.findIndex((change) => change.id === kept.get(setting.dimension)) + 1);
  if (!flow.rooms[stateOf(chosen)]) chosen = chosen.map(() => 0);
}

// --- payload ------------------------------------------------------------------------------------
// Payloads that just go in a number of frames on a hop, as pairs.
const fullest = (state, at) => [...flow.rooms[state][at] < 0 ? [] : [[flow.rooms[state][at], 1]], ...data.further[flow.cliffs[state][at]]];
function drawCliffs(state) {
  const hops = flow.hops.map((_, at) => new Map(fullest(state, at).map(([most, frames]) => [frames, most])));
  const counts = [...new Set(hops.flatMap((one) => [...one.keys()]))].sort((one, other) => one - other);
  fill("cliff-hops", ["frames", ...flow.hops.map((one) => `${one.name} hop: octets at most`)].map((words) => el("th", {class: "n", scope: "col"}, words)));
  fill("cliffs", counts.map((frames) => el("tr", {}, [frames, ...hops.map((one) => one.get(frames) ?? "-")].map((one) => el("td", {class: "n"}, String(one))))));
  byId("cliffs-part").hidden = !counts.length;
}
function drawPayload(state) {
  const room = flow.rooms[state][hop], steps = fullest(state, hop);
  drawCliffs(state);
  fill("payload-of", `Of ${flow.name}, ${flow.hops[hop].name} hop, as drawn above; the table has every hop.`);
  byId("payload").hidden = !steps.length;
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
  const others = flow.hops.flatMap((one, at) => at === hop ? [] : [[one.name, fullest(state, at)]]);
  const say = () => {
    const size = Number(slider.value), into = (some) => some.find(([most]) => size <= most), step = into(steps);
    bars.forEach((bar, index) => bar.classList.toggle("on", index < step[1]));
    const elsewhere = others.map(([name, some]) => `; ${name} hop: ${into(some) ? plural(into(some)[1], "frame") : "more than told here"}`);
    byId("says").textContent = `${plural(size, "octet")}: ${plural(step[1], "frame")}, ${step[0] - size} left before the next${elsewhere.join("")}`;
  };
  slider.oninput = say;
  slider.value = Math.max(room, 0);
  say();
}

// --- messages -----------------------------------------------------------------------------------
function drawMessages() {
  for (const message of data.messages) {
    let offset = 0;
    const several = message.fields.map(([name, bits, padding], at) => {
      offset += bits;
      return {number: at + 1, offset: offset - bits, bits, name: text(name), letter: "", says: "",
        look: padding ? "room" : `k${message.names.indexOf(name) % data.looks}`};
    });
    drawFrame(byId(message.id), several, true);
  }
}

// --- all of it ----------------------------------------------------------------------------------
// Who writes a program sends what goes in one frame on every hop: the hop with the least room decides.
const decides = (rooms) => rooms.indexOf(Math.min(...rooms));
function answer(rooms, octets) {
  const least = rooms[decides(rooms)], names = flow.hops.map((one) => one.name);
  const more = rooms.map((room, at) => room > least ? `; ${room < 0 ? `${-room} over` : room} on the ${names[at]}` : "").join("");
  if (least < 0) return [`On ${flow.name}, `, el("strong", {}, "nothing fits"), `: the headers alone are ${plural(-least, "octet")} over on the ${names[decides(rooms)]} hop${more}.`];
  const drawn = rooms.length > 1 ? `On the ${names[hop]} hop, drawn here` : "Of the frame";
  return [`On ${flow.name}, one frame carries `, el("strong", {}, `${plural(least, "octet")} of your data`),
    `${rooms.length > 1 ? " on every hop" : ""}${more}. ${drawn}, ${octets - Math.max(rooms[hop], 0)} of ${plural(octets, "octet")} are headers and trailer.`];
}
function reckoned(room, octets, largest, left, mtu) {
  const headers = octets - Math.max(room, 0) - (largest - left);
  return `On the ${flow.hops[hop].name} hop of ${flow.name} the link's own header and trailer take ${largest - left} of ${largest} octets and leave ${left}; other headers take ${headers} of those.${mtu && octets < largest ? ` ${largest - octets} stay empty: the MTU (network.mtu) ends datagrams at ${mtu} octets, headers in full.` : ""}`;
}
function draw() {
  const state = stateOf(chosen), rooms = flow.rooms[state];
  if (!rooms) return;
  drawFigure(flow.frames[state][hop], flow.restored[state][hop]);
  const octets = fields.reduce((sum, field) => sum + field.bits, 0) / 8;
  fill("answer", answer(rooms, octets));
  fill("reckoned", reckoned(rooms[hop], octets, ...data.links[flow.links[state][hop]]));
  fill("cautions", flow.hops[hop].cautions.map((words) => el("li", {}, words)));
  drawSettings(); drawAlone(); drawChanged(); drawKept(); drawPayload(state);
  document.documentElement.dataset.room = rooms[hop];
  link();
}
// A place in the page as a link: flow, hop, settings, field.
function link() {
  linkTo([flow.name, flow.hops[hop].name, ...kept.values(), `field-${current}`]);
}
function follow() {
  const parts = linked();
  flow = data.flows.find((one) => one.name === parts[0]) || data.flows[0];
  keep(parts);
  recall();
  const asked = flow.hops.findIndex((one) => one.name === parts[1]);
  hop = asked < 0 ? decides(flow.rooms[stateOf(chosen)]) : asked;
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
  flow = data.flows[Number(event.target.value)];
  recall();
  hop = decides(flow.rooms[stateOf(chosen)]);
  drawChoices();
  draw();
}
// Octets at most and frames of each cliff, from what each adds to the one before.
function cliffsIn(steps) {
  const most = sums(steps.filter((_, at) => at % 2 === 0)), frames = sums(steps.filter((_, at) => at % 2));
  return most.map((octets, at) => [octets, frames[at]]);
}
function begin() {
  data.further = rowsIn(data.further).map(cliffsIn);
  for (const one of data.flows) {
    const hops = one.frames.map(rowsIn);
    one.rooms = stepsIn(one.rooms).map((rooms) => rooms.length ? rooms : null);
    one.frames = one.rooms.map((_, state) => hops.map((frames) => frames[state]));
    one.offers = rowsIn(one.offers);
    one.restored = stepsIn(one.restored);
    one.cliffs = stepsIn(one.cliffs);
    one.links = rowsIn(one.links);
  }
  const asked = linked()[0];
  follow();
  drawMessages();
  for (const message of data.messages) if (message.packing) drawPacking(message);
  byId("flow").addEventListener("change", changeFlow);
  byId("reset").addEventListener("click", () => { kept.clear(); recall(); draw(); byId("settings").querySelector("input").focus(); });
  if (leads(asked)) byId(asked).scrollIntoView();
  addEventListener("hashchange", () => { if (!leads(linked()[0])) follow(); });
}
unpack(begin, () => { draw(); drawMessages(); });
