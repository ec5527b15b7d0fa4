// A page of a capture: what was seen, when, and the frames that prove it.
const SVG = "http://www.w3.org/2000/svg", ROW = 26;
let at = 0, window_ = [0, 1];

const STEPS = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600,
  7200, 14400, 21600, 43200, 86400, 172800, 604800];
function clock(seconds) {
  if (seconds < 60) return `${Number(seconds.toPrecision(4))} s`;
  const whole = Math.floor(seconds), hours = Math.floor(whole / 3600), minutes = Math.floor(whole / 60) % 60, rest = whole % 60;
  return [[hours, "h"], [minutes, "min"], [rest, "s"]].filter(([count]) => count).map((one) => one.join(" ")).join(" ");
}
const svg = (name, attributes, ...children) => {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  made.append(...children);
  return made;
};

// --- time ---------------------------------------------------------------------------------------
const SIGNS = {"sent again": "M-3 3 0 -3 3 3Z", "copied": "M-3 -3H3V3H-3Z", "damaged": "M-3 -3 3 3M-3 3 3 -3"};
function drawTime() {
  const {nodes, events, every_s: every, span_s: span, first_s: first} = data.time;
  if (!nodes.length || !span) {  // all at one time, or at none
    byId("time-part").hidden = byId("to-time").hidden = true;
    return;
  }
  // drawn in the units of the screen, so that text keeps its size; on a phone names stand above their rows
  const wide = Math.max(byId("time").clientWidth, 280), small = wide < 640, left = small ? 4 : 250, high = small ? ROW + 16 : ROW;
  const [from, to] = window_.map((share) => share * span), scale = (wide - left - 10) / Math.max(to - from, 1e-9);
  const x = (seconds) => left + (seconds - from) * scale;
  const height = nodes.length * high + 34;
  const figure = svg("svg", {viewBox: `0 0 ${wide} ${height}`, width: wide, height, role: "img", "aria-label":
    `What ${plural(nodes.length, "node")} sent from ${clock(from)} to ${clock(to)}; the table of nodes says the same in numbers`});
  nodes.forEach((node, row) => {
    const base = (row + 1) * high - 4, most = Math.max(...node.steps.map((step) => step[1]), 1);
    const all = node.steps.reduce((sum, step) => sum + step[1], 0);
    figure.append(svg("text", small ? {x: left, y: base - ROW + 2} : {x: left - 8, y: base - 4, class: "node"}, `${node.name}  ${all}`),
      svg("path", {class: "rule", d: `M${left} ${base}H${wide - 10}`}));
    for (const [step, frames, , lost] of node.steps) {
      const start = first + step * every, end = start + every;
      if (end < from || start > to) continue;
      const begin = Math.max(x(start), left), broad = Math.max(Math.min(x(end), wide - 10) - begin, 0.8), tall = Math.max(frames / most * (ROW - 10), 1.5);
      figure.append(svg("rect", {class: "sent", x: begin.toFixed(1), y: (base - tall).toFixed(1), width: broad.toFixed(1), height: tall.toFixed(1)}));
      if (lost) figure.append(svg("path", {class: "lost", d: `M${begin.toFixed(1)} ${base}v${-(ROW - 8)}m-3.5 0h7`}));
    }
  });
  for (const [row, seconds, kind] of events) {
    if (seconds < from || seconds > to) continue;
    figure.append(svg("path", {class: `event ${kind.replace(" ", "-")}`, d: SIGNS[kind], transform: `translate(${x(seconds).toFixed(1)} ${(row + 1) * high - ROW + 7})`}));
  }
  const frame = data.drawn[at];
  if (frame && frame.seconds !== null) {
    const seconds = frame.seconds;
    if (seconds >= from && seconds <= to) figure.append(svg("path", {class: "now", d: `M${x(seconds).toFixed(1)} 0V${nodes.length * high}`}));
  }
  const step = STEPS.find((one) => (to - from) / one <= (small ? 3 : 7)) || (to - from) / 6;
  for (let seconds = Math.ceil(from / step) * step; seconds <= to; seconds += step) {
    const end = x(seconds) > wide - 60;
    figure.append(svg("text", {x: x(seconds).toFixed(1), y: height - 8, class: end ? "end" : seconds > from ? "middle" : ""}, clock(seconds)),
      svg("path", {class: "rule", d: `M${x(seconds).toFixed(1)} ${nodes.length * high}v5`}));
  }
  fill("time", figure);
}
function zoom(factor, shift) {
  const [from, to] = window_, middle = (from + to) / 2 + (to - from) * shift, half = Math.min((to - from) * factor / 2, 0.5);
  const start = Math.min(Math.max(middle - half, 0), 1 - 2 * half);
  window_ = [start, start + 2 * half];
  drawTime();
}

// --- frames -------------------------------------------------------------------------------------
const named = (number) => data.findings.filter((one) => one.frames.some(([other]) => other === number));
function draw() {
  const frame = data.drawn[at];
  if (!frame) return;
  drawFigure(frame.frame, frame.restored);
  const coded = frame.contents ? fieldsOf(frame.contents, 8 * frame.contents_at) : [];
  byId("contents-part").hidden = !coded.length;
  drawLedger("contents", coded, "c");
  fill("frame-title", `Frame ${frame.number}: ${text(frame.kind)}, ${plural(frame.octets, "octet")}`);
  const facts = [["from", text(frame.from)], ["to", text(frame.to)], ["flow", text(frame.flow)],
    ["time", frame.seconds === null ? "" : `${clock(frame.seconds)} after the first frame`], ["noticed", frame.says.map(text).join("; ")]];
  fill("facts", el("dl", {}, facts.filter(([, value]) => value).flatMap(([name, value]) => [el("dt", {}, name), el("dd", {}, value)])),
    el("ul", {}, named(frame.number).map((one) => el("li", {}, `${one.severity}: ${one.title}`))));
  byId("which").value = String(at);
  byId("before").disabled = at === 0;
  byId("after").disabled = at === data.drawn.length - 1;
  document.documentElement.dataset.frame = frame.number;
  drawTime();
  link();
}
function link() { linkTo([`frame-${data.drawn[at].number}`, `field-${current}`]); }
function go(to) {
  at = Math.min(Math.max(to, 0), data.drawn.length - 1);
  current = 1;
  draw();
}
function follow() {
  const parts = linked(), number = Number((parts.find((one) => /^frame-\d+$/.test(one)) || "").slice(6));
  const field = parts.find((one) => /^field-\d+$/.test(one));
  const worst = data.findings.flatMap((one) => one.frames.filter(([, drawn]) => drawn))[0];
  const asked = number || (worst ? worst[0] : 0);
  at = Math.max(data.drawn.findIndex((frame) => frame.number === asked), 0);
  current = field ? Number(field.slice(6)) : 1;
  draw();
}
function begin() {
  const asked = linked()[0];
  // a finding that is folded opens when a link leads to it
  const show = (id) => { const part = /^finding-\d+$/.test(id) && byId(id); if (part) { part.open = true; part.scrollIntoView(); } };
  fill("which", data.drawn.map((frame, index) => el("option", {value: index}, `${frame.number}: ${text(frame.kind)}${named(frame.number).length ? ", in a finding" : ""}`)));
  follow();
  byId("which").addEventListener("change", (event) => go(Number(event.target.value)));
  byId("before").addEventListener("click", () => go(at - 1));
  byId("after").addEventListener("click", () => go(at + 1));
  for (const [id, factor, shift] of [["nearer", 0.5, 0], ["farther", 2, 0], ["earlier", 1, -0.5], ["later", 1, 0.5]]) {
    byId(id).addEventListener("click", () => zoom(factor, shift));
  }
  // without script numbers of frames are no links, as there is nothing to lead to
  for (const one of document.querySelectorAll(".finding [data-frame]")) {
    const number = Number(one.dataset.frame);
    one.replaceWith(el("a", {href: `#frame-${number}`, "data-frame": number, onclick: (event) => {
      event.preventDefault();
      go(data.drawn.findIndex((frame) => frame.number === number));
      byId("frames-part").scrollIntoView();
      byId("which").focus({preventScroll: true});
    }}, String(number)));
  }
  show(asked);
  if (leads(asked)) byId(asked).scrollIntoView();
  let width = innerWidth;
  addEventListener("resize", () => { if (innerWidth !== width) { width = innerWidth; drawTime(); } });
  for (const one of document.querySelectorAll('.index a')) one.addEventListener("click", () => show(one.hash.slice(1)));
  addEventListener("hashchange", () => { show(linked()[0]); if (/^#frame-\d/.test(location.hash)) follow(); });
}
unpack(begin, draw);
