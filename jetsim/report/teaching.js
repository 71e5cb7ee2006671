"use strict";
// Reads the tables between their entries and draws what they say. It knows no law of water: every number comes from
// the tables, by cubics through four neighbouring entries.
(() => {
  const D = JSON.parse(document.getElementById("tables").textContent);
  const el = (id) => document.getElementById(id);

  // ------------------------------------------------------------------------------------------------ tables

  function unpack(part) {
    const bytes = Uint8Array.from(atob(part.floats || part.steps), (c) => c.charCodeAt(0));
    if (part.floats) return { shape: part.shape, data: new Float32Array(bytes.buffer) };
    const steps = new Uint16Array(bytes.buffer);
    return { shape: part.shape, data: Float64Array.from(steps, (k) => part.low + part.step * k) };
  }

  function unpackAll(tables) {
    for (const group of ["flat", "middle", "departures"])
      for (const name in tables[group]) tables[group][name] = unpack(tables[group][name]);
    for (const name of ["flags", "path"]) tables[name] = unpack(tables[name]);
    if (tables.supply)
      for (const name of ["base", "longer", "kinks", "higher"]) tables.supply[name] = unpack(tables.supply[name]);
  }
  for (const setup of D.setups) for (const part of [setup.tables, setup.low]) if (part) unpackAll(part);

  // First node and weights of the cubic at x, which is held within the axis.
  function weights(axis, x) {
    const nodes = axis.nodes, last = nodes.length - 1;
    const held = Math.min(Math.max(x, nodes[0]), nodes[last]);
    let k = 0;
    while (k < last - 1 && held >= nodes[k + 1]) k++;
    const [first, count] = axis.stencils[k];
    const on = (value) => (axis.log ? Math.log(value) : value);
    const own = nodes.slice(first, first + count).map(on), at = on(held);
    return [first, own.map((node, i) => own.reduce((w, o, j) => (j === i ? w : (w * (at - o)) / (node - o)), 1))];
  }

  const mix = ([first, w], read) => w.reduce((sum, each, i) => sum + each * read(first + i), 0);

  // A table over (rows, elevation, wind) at one elevation and wind: a number for each row.
  function column({ shape, data }, elevation, wind, rows) {
    const winds = shape[shape.length - 1], elevations = shape.length > 2 || elevation ? shape[shape.length - 2] : 1;
    return Array.from({ length: rows }, (_, row) =>
      elevation
        ? mix(elevation, (e) => mix(wind, (w) => data[(row * elevations + e) * winds + w]))
        : mix(wind, (w) => data[row * winds + w])
    );
  }

  // Pump pressure that each node of nozzle pressure needs, for one case.
  function needed(tables, at, which) {
    const s = tables.supply, count = tables.axes[0].nodes.length, from = which * count;
    return tables.axes[0].nodes.map((_, j) =>
      s.base.data[from + j] + s.longer.data[from + j] * (at.length - s.shortest) +
      (at.kinked ? s.kinks.data[from + j] : 0) + s.higher.data[which] * at.floor);
  }

  // y where the rising x passes a value; beyond the ends, the ends.
  function between(value, x, y) {
    if (value <= x[0]) return y[0];
    for (let k = 1; k < x.length; k++)
      if (value <= x[k]) return y[k - 1] + ((y[k] - y[k - 1]) * (value - x[k - 1])) / (x[k] - x[k - 1]);
    return y[y.length - 1];
  }

  const LENGTHS = ["breakup_distance", "deciding_landing", "extreme_reach", "apex_height"];
  const BEST = "effective_reach_at_best";

  // Every result at a setting, case by case: the middle first, then the draws.
  function read(tables, at) {
    const cases = tables.excess.length, [pAxis, eAxis, wAxis] = tables.axes, nodes = pAxis.nodes, count = nodes.length;
    const every = Array.from({ length: cases }, (_, which) => which);
    const pressure = every.map((which) =>
      tables.supply ? between(at.pressure, needed(tables, at, which), nodes) : at.pressure);
    const fine = pressure.map((p) => weights(pAxis, p));
    const found = { nozzle_pressure: pressure };
    for (const name in tables.flat)
      found[name] = every.map((c) => mix(fine[c], (j) => tables.flat[name].data[c * count + j]));
    found.crew_force = found.reaction_force.map((f, c) => f * (1 + tables.excess[c]));
    const e = weights(eAxis, at.elevation), w = weights(wAxis, at.wind);
    const unit = column(tables.middle.extreme_reach, weights(eAxis, tables.site), weights(wAxis, 0), count);
    const rough = pressure.map((p) => weights(tables.coarse[0], p)), rows = tables.coarse[0].nodes.length;
    const about = [weights(tables.coarse[1], at.elevation), weights(tables.coarse[2], at.wind)];
    for (const name of [...LENGTHS, BEST]) {
      const middle = column(tables.middle[name], name === BEST ? null : e, w, count);
      const off = column(tables.departures[name], name === BEST ? null : about[0], about[1], (cases - 1) * rows);
      found[name] = every.map((c) => {
        const value = mix(fine[c], (j) => middle[j]);
        if (!c) return value;
        return value + mix(fine[c], (j) => unit[j]) * mix(rough[c], (j) => off[(c - 1) * rows + j]);
      });
    }
    found.effective_reach = found.deciding_landing.map((x, c) => Math.max(0, Math.min(x, found.extreme_reach[c])));
    return found;
  }

  // The middle's path at a setting: distances over extreme reach, and heights.
  function pathOf(tables, at, pressure) {
    const [p, e, w] = [pressure, at.elevation, at.wind].map((x, k) => weights(tables.coarse[k], x));
    const { shape, data } = tables.path, [, stations, ps, es, ws] = shape;
    const point = (row, s) => mix(p, (i) => mix(e, (j) => mix(w, (k) =>
      data[(((row * stations + s) * ps + i) * es + j) * ws + k])));
    return [0, 1].map((row) => Array.from({ length: stations }, (_, s) => point(row, s)));
  }

  function flagsAt(tables, at, pressure) {
    const near = [pressure, at.elevation, at.wind].map((x, k) => {
      const gap = tables.axes[k].nodes.map((node) => Math.abs(node - x));
      return gap.indexOf(Math.min(...gap));
    });
    const { shape, data } = tables.flags;
    return data[(near[0] * shape[1] + near[1]) * shape[2] + near[2]];
  }

  function quantile(sorted, share) {
    const at = share * (sorted.length - 1), low = Math.floor(at), next = Math.min(low + 1, sorted.length - 1);
    return sorted[low] + (sorted[next] - sorted[low]) * (at - low);
  }
  const endsOf = (values) => {
    const sorted = values.slice(1).sort((a, b) => a - b);
    return D.ends.map((share) => quantile(sorted, share));
  };

  // ------------------------------------------------------------------------------------------------ words

  const first = D.setups[0];
  const start = () => ({
    setups: [0, null], hold: true, pump: first.needed, nozzle: first.needed, length: null, floor: 0,
    elevation: first.tables.site, wind: 0, crew: Math.max(0, D.crews.findIndex((c) => c.label === first.crew)),
    mistake: "none",
  });
  let S = start(), system = D.edition;

  function number(value, digits = 3) {
    if (!isFinite(value)) return "–";
    if (value === 0) return "0";
    let decimals = Math.max(0, digits - 1 - Math.floor(Math.log10(Math.abs(value))));
    if (Number(Math.abs(value).toFixed(decimals)) >= 10 ** (digits - decimals)) decimals = Math.max(0, decimals - 1);
    return value.toLocaleString("en-US", { minimumFractionDigits: decimals, maximumFractionDigits: decimals });
  }
  const unit = (kind) => D.units[kind][system];
  const shown = (kind, si, digits) => `${number(si * unit(kind).one, digits)} ${unit(kind).label}`;
  const spanned = (kind, low, high) => `${number(low * unit(kind).one)} to ${number(high * unit(kind).one)}`;
  const counted = (count) => {
    const hundredth = (100 * count) / D.draws;
    const told = hundredth < 1 ? "under 1" : hundredth > 99 ? "over 99" : hundredth.toFixed(0);
    return `${count === 0 ? "no" : count === D.draws ? "all" : `${told} of 100`} computed throws`;
  };
  const people = (count) => `${count} firefighter${count === 1 ? "" : "s"}`;

  // ------------------------------------------------------------------------------------------------ one lane

  const ROWS = [
    ["pump_pressure", "Pump", "pump"], ["nozzle_pressure", "At the nozzle", "nozzle"], ["flow_rate", "Flow", "flow"],
    ["reaction_force", "Reaction, formula", "force"], ["crew_force", "+ measured excess", "force"],
    ["breakup_distance", "Breaks up at", "distance"], ["effective_reach", "Effective reach", "distance"],
    [BEST, "at best, up to 10 deg", "distance"], ["extreme_reach", "Extreme reach", "distance"],
  ];

  // What a set-up believes and delivers where the controls stand.
  function laneOf(setup) {
    const notices = [], at = {
      elevation: S.elevation, wind: S.wind, floor: S.floor, kinked: false,
      length: S.length === null ? setup.length : S.length,
    };
    const aimed = aim(setup, at, notices);
    const believed = read(setup.tables, { ...at, pressure: aimed });
    const wrong = mistakeOf(setup, at, aimed, notices);
    const delivered = wrong ? read(wrong.tables, wrong.at) : believed;
    const tables = wrong ? wrong.tables : setup.tables, where = wrong ? wrong.at : { ...at, pressure: aimed };
    const set = setup.lined ? where.pressure : NaN;
    believed.pump_pressure = [setup.lined ? aimed : NaN];
    delivered.pump_pressure = [set];
    const under = setup.lined && needed(tables, where, 0)[0] > where.pressure;
    const told = weak(setup, tables, under, delivered, notices);
    if (told) beyond(setup, delivered, set, notices);
    const thoughtTold = believed.nozzle_pressure[0] >= D.least * (1 - 1e-6);
    return { setup, thoughtTold, at: where, tables, believed, delivered, wrong: Boolean(wrong), told, under, notices };
  }

  // The pressure that the operator aims at: for the target, or as the slider says, within what the pump can give.
  function aim(setup, at, notices) {
    const kind = setup.lined ? "pump" : "nozzle", most = setup.most.pump;
    const words = setup.most.stated ? "the pump's stated maximum" : "twice what its target needs, where its tables end";
    let pressure = S[kind];
    if (S.hold) {
      const table = setup.tables, nodes = table.axes[0].nodes;
      pressure = setup.lined ? between(setup.target, nodes, needed(table, at, 0)) : setup.target;
      if (pressure > most)
        notices.push(`Its target, ${shown("nozzle", setup.target)} at the nozzle, needs ${shown("pump", pressure)} ` +
          `at this length and floor; ${words} is ${shown("pump", most)}. Shown: pumped at that.`);
    } else if (pressure > most * 1.000001)
      notices.push(`The control stands beyond ${words}. Shown: ${shown(kind, most)}.`);
    return Math.max(0, Math.min(pressure, most));
  }

  function mistakeOf(setup, at, aimed, notices) {
    const name = S.mistake, off = { low: -D.error, high: D.error }[name];
    if (name === "none") return null;
    if (name === "ring" && !setup.low) {
      notices.push("No ring to set lower here: nothing is wrong with this set-up.");
      return null;
    }
    if (!setup.lined) {
      notices.push("No line is named, so nothing can be wrong on the way to the nozzle.");
      return null;
    }
    const tables = name === "ring" ? setup.low : setup.tables;
    return { tables, at: { ...at, pressure: Math.max(0, aimed + (off || 0)), kinked: name === "kinks" } };
  }

  // Whether a stream is told at all; why not, where it is not.
  function weak(setup, tables, under, delivered, notices) {
    const middle = delivered.nozzle_pressure[0], least = D.least, low = tables.axes[0].nodes[0];
    if (middle >= least * (1 - 1e-6)) return true;
    const gets = under ? `Less than ${shown("nozzle", low)} reaches` : `Only ${shown("nozzle", middle)} reaches`;
    notices.push(`${gets} the nozzle${setup.lined ? " over this hose and rise" : ""}: below ${shown("nozzle", least)} ` +
      "this page tells no stream.");
    return false;
  }

  function beyond(setup, delivered, set, notices) {
    const most = setup.most, p = delivered.nozzle_pressure[0], q = delivered.flow_rate[0];
    if (most.nozzle !== null && p > most.nozzle * 1.0001)
      notices.push(`Above the nozzle's stated maximum of ${shown("nozzle", most.nozzle)}.`);
    if (most.hose !== null && set > most.hose) notices.push(`Above the hose's stated maximum of ${shown("pump", most.hose)}.`);
    if (most.flow !== null && q > most.flow) notices.push(`Above the pump's stated maximum flow of ${shown("flow", most.flow)}.`);
  }

  function verdict(lane) {
    const crew = D.crews[S.crew];
    if (!lane.told) return "";
    if (!crew) return "No crew is named, so no stated limit stands beside the force.";
    if (crew.limit === undefined)
      return `Nobody states a limit for ${people(crew.firefighters)}, so none stands beside the force.`;
    const force = lane.delivered[crew.formula === "handbook" ? "handbook_force" : "reaction_force"];
    const within = force.slice(1).filter((f, c) => f * (1 + lane.tables.excess[c + 1]) <= crew.limit).length;
    const word = force[0] <= crew.limit * (1 + 1e-9) ? "within" : "above";
    return `${shown("force", force[0])} by the limit's own formula: ${word} the stated limit of ` +
      `${shown("force", crew.limit)} for ${people(crew.firefighters)}. With the measured excess, within it in ` +
      `${counted(within)}.`;
  }

  function stretchedWords(lane) {
    const flags = flagsAt(lane.tables, lane.at, lane.delivered.nozzle_pressure[0]);
    const words = Object.keys(D.flags).filter((bit) => flags & Number(bit)).map((bit) => D.flags[bit]);
    return words.length
      ? `Breakup and reach are less sure here, for they lie outside the tests (at the nearest computed setting): ${words.join("; ")}.`
      : "";
  }

  // Whether a number of a lane is told: none of a stream that is too weak, no good stream where none is left.
  function isTold(lane, name, found) {
    if (name === "pump_pressure") return lane.setup.lined;
    if (["nozzle_pressure", "flow_rate", "reaction_force", "crew_force"].includes(name)) return !lane.under;
    if (!lane.told) return false;
    return name !== "effective_reach" || found.effective_reach[0] >= D.told * found.extreme_reach[0];
  }

  // ------------------------------------------------------------------------------------------------ numbers

  const MOST = {};
  for (const setup of D.setups) {
    const top = read(setup.tables, { pressure: setup.most.pump, elevation: setup.tables.site, wind: 0, floor: 0,
      kinked: false, length: setup.length });
    const grow = (kind, value) => (MOST[kind] = Math.max(MOST[kind] || 0, value));
    grow("pump", setup.most.pump);
    grow("nozzle", top.nozzle_pressure[0]);
    grow("flow", top.flow_rate[0]);
    grow("force", top.reaction_force[0]);
  }
  const limits = D.crews.map((crew) => crew.limit).filter(isFinite);
  if (limits.length) MOST.force = 1.5 * Math.max(...limits);

  function tell(lane, box) {
    const body = box.querySelector("tbody");
    box.classList.toggle("plain", !lane.wrong);
    box.querySelector("thead .is").textContent = lane.wrong ? "delivered" : "middle";
    body.replaceChildren(...ROWS.filter(([name]) => name !== "pump_pressure" || lane.setup.lined)
      .map((row) => rowOf(lane, row)));
  }

  function rowOf(lane, [name, words, kind]) {
    const row = document.createElement("tr"), told = isTold(lane, name, lane.delivered);
    const head = row.appendChild(document.createElement("th"));
    row.setAttribute("role", "row");
    head.setAttribute("role", "rowheader");
    head.textContent = words;
    if (name === "crew_force" || name === BEST) head.className = "under";
    const values = lane.delivered[name], ends = told && values.length > 1 ? endsOf(values) : [NaN, NaN];
    const middle = told ? values[0] : NaN;
    const cell = (className, text) => {
      const one = row.appendChild(document.createElement("td"));
      one.className = className;
      one.setAttribute("role", "cell");
      one.textContent = text;
      return one;
    };
    const before = isTold({ ...lane, told: lane.thoughtTold, under: false }, name, lane.believed) ? lane.believed[name][0] : NaN;
    cell("was", isFinite(before) ? number(before * unit(kind).one) : "–");
    const none = name === "effective_reach" && lane.told && !told;
    const main = cell("is", none ? "none left" : isFinite(middle) ? shown(kind, middle) : "–");
    Object.assign(main.dataset, { name, si: middle, low: ends[0], high: ends[1], believed: before });
    const narrow = Math.abs(ends[1] - ends[0]) < 1e-6 * Math.abs(middle);
    cell("ends", !isFinite(ends[0]) ? (name === "pump_pressure" ? targetWords(lane) : "") :
      narrow ? "as set" : spanned(kind, ...ends));
    const bar = cell("bar", "");
    bar.removeAttribute("role");
    bar.setAttribute("aria-hidden", "true");
    if (MOST[kind]) bar.appendChild(barOf(lane, name, kind, middle, ends));
    return row;
  }

  function targetWords(lane) {
    const node = between(lane.setup.target, lane.setup.tables.axes[0].nodes,
      needed(lane.setup.tables, { ...lane.at, kinked: false }, 0));
    return `target ${number(node * unit("pump").one)}`;
  }

  function barOf(lane, name, kind, middle, ends) {
    const rule = document.createElement("div");
    rule.className = "rule";
    const place = (className, from, to) => {
      if (!isFinite(from)) return;
      const mark = rule.appendChild(document.createElement("i")), at = (x) => Math.min(100, (100 * x) / MOST[kind]);
      mark.className = className;
      mark.style.left = `${at(from)}%`;
      if (to !== undefined) mark.style.width = `${at(to) - at(from)}%`;
    };
    place("span", ...ends);
    place("at", middle);
    const crew = D.crews[S.crew];
    if (kind === "force" && crew && crew.limit !== undefined) place("limit", crew.limit);
    if (name === "pump_pressure" && lane.setup.most.stated) place("limit", lane.setup.most.pump);
    return rule;
  }

  // ------------------------------------------------------------------------------------------------ picture

  const NS = "http://www.w3.org/2000/svg";
  function make(parent, kind, attributes, text) {
    const node = parent.appendChild(document.createElementNS(NS, kind));
    for (const key in attributes) node.setAttribute(key, attributes[key]);
    if (text !== undefined) node.textContent = text;
    return node;
  }

  const LADDER = { us: [40, 60, 80, 100, 120, 150, 180, 220, 260, 320, 400, 500, 700],
    si: [12, 18, 24, 30, 36, 45, 55, 65, 80, 100, 120, 150, 200] };
  const LEFT = 62, RIGHT = 26, UNDER = 64, OVER = 10;

  // Middle path, and heights between which nine in ten draws' paths pass: the middle's, stretched to each draw.
  function shapeOf(lane, found, where, tables) {
    const [xs, zs] = pathOf(tables, where, found.nozzle_pressure[0]), reach = found.extreme_reach, rise = found.apex_height;
    const chord = xs.map((x) => zs[0] * (1 - x)), over = zs.map((z, s) => z - chord[s]), ease = zs[0] / 4;
    // In a head wind the path may turn back before it lands: what lies above its farthest point counts.
    const turn = xs.indexOf(Math.max(...xs)), out = xs.slice(0, turn + 1);
    const far = Math.max(...reach) * out[turn], places = Array.from({ length: 121 }, (_, k) => (far * k) / 120);
    const heights = places.map((x) => {
      const all = reach.map((r, c) => {
        const grown = (rise[c] - zs[0] + ease) / (rise[0] - zs[0] + ease), at = x / r;
        return at >= out[turn] ? 0 : Math.max(0, zs[0] * (1 - at) + grown * between(at, out, over));
      });
      return endsOf(all);
    });
    return { path: xs.map((x, s) => [x * reach[0], zs[s]]), places, heights, top: Math.max(rise[0], ...heights.map((h) => h[1])), far };
  }

  function scaleOf(lanes, boxes) {
    const sizes = boxes.map((box) => box.querySelector(".side").getBoundingClientRect());
    const wide = Math.min(...sizes.map((s) => s.width)) - LEFT - RIGHT, high = Math.min(...sizes.map((s) => s.height)) - UNDER - OVER;
    const shapes = lanes.flatMap((lane) => [lane.shape, lane.thought].filter(Boolean));
    const one = unit("distance").one, ladder = LADDER[system].map((x) => x / one);
    const fits = (x) => shapes.every((s) => s.far < x && (s.top * wide) / x < high);
    const across = ladder.find(fits) || ladder[ladder.length - 1];
    return { pixels: wide / across, across, step: stepOf(across * one) / one };
  }
  const stepOf = (across) => [2, 5, 10, 20, 50, 100].find((step) => across / step <= 9) || 100;

  function draw(lane, box, scale) {
    const svg = box.querySelector("svg"), size = box.querySelector(".side").getBoundingClientRect();
    const ground = size.height - UNDER, X = (x) => LEFT + x * scale.pixels, Y = (z) => ground - z * scale.pixels;
    svg.replaceChildren();
    svg.setAttribute("viewBox", `0 0 ${size.width} ${size.height}`);
    svg.setAttribute("aria-label", spoken(lane));
    make(svg, "text", { x: 4, y: 16, class: "named" }, lane.setup.label);
    if (!lane.shape) make(svg, "text", { x: LEFT + 10, y: ground - 30 }, "No stream is told here.");
    else drawFlight(svg, lane, X, Y);
    drawGround(svg, scale, ground, X, size.width);
    drawCrew(svg, ground);
    drawWind(svg, size.width);
    if (lane.shape) drawMarks(svg, lane, ground, X);
  }

  function drawFlight(svg, lane, X, Y) {
    if (lane.thought)
      make(svg, "polyline", { points: lane.thought.path.map(([x, z]) => `${X(x)},${Y(z)}`).join(" "), fill: "none",
        stroke: "#4d5455", "stroke-width": 2, "stroke-dasharray": "7 5" });
    drawStream(svg, lane, X, Y);
  }

  function drawGround(svg, scale, ground, X, width) {
    make(svg, "line", { x1: 8, x2: width - 4, y1: ground, y2: ground, stroke: "#16191a", "stroke-width": 2 });
    for (let x = 0; x <= scale.across * 1.0001; x += scale.step) {
      make(svg, "line", { x1: X(x), x2: X(x), y1: ground, y2: ground - 9, stroke: "#16191a", "stroke-width": 2 });
      const text = (x * unit("distance").one).toFixed(0);
      make(svg, "text", { x: X(x), y: ground + 15, "text-anchor": "middle", class: "soft" },
        x === 0 ? `0 ${unit("distance").label}` : text);
    }
  }

  // The crew, as many as hold the line.
  function drawCrew(svg, ground) {
    const count = D.crews[S.crew] ? D.crews[S.crew].firefighters : 1;
    for (let n = 0; n < Math.min(count, 6); n++) {
      const x = LEFT - 8 - 12 * n;
      make(svg, "circle", { cx: x, cy: ground - 21, r: 3.6, fill: "#16191a" });
      make(svg, "path", { d: `M${x} ${ground - 17}v9l-3.5 8m3.5-8l3.5 8m-3.5-15l7 3`, stroke: "#16191a", "stroke-width": 2, fill: "none" });
    }
  }

  function drawWind(svg, width) {
    if (Math.abs(S.wind) < 1e-9) return;
    const x = width - 150, way = S.wind > 0 ? 1 : -1, tip = x + 20 + 26 * way;
    make(svg, "path", { d: `M${x + 20 - 26 * way} 18H${tip}m${-8 * way} -6l${8 * way} 6l${-8 * way} 6`, stroke: "#16191a", "stroke-width": 2.5, fill: "none" });
    make(svg, "text", { x: x + 54, y: 23 }, `${shown("wind", Math.abs(S.wind), 2)}`);
  }

  function drawStream(svg, lane, X, Y) {
    const { places, heights, path } = lane.shape, upon = (k, end) => `${X(places[k])},${Y(heights[k][end])}`;
    const keys = places.map((_, k) => k);
    make(svg, "polygon", { points: [...keys.map((k) => upon(k, 1)), ...keys.reverse().map((k) => upon(k, 0))].join(" "), fill: "#cfd6d4" });
    const end = lane.delivered.breakup_distance[0];
    const split = path.findIndex(([x]) => x > end), cut = split < 0 ? path.length - 1 : split;
    const [a, b] = [path[Math.max(0, cut - 1)], path[cut]];
    const share = b[0] === a[0] ? 0 : Math.min(1, Math.max(0, (end - a[0]) / (b[0] - a[0])));
    const at = [a[0] + share * (b[0] - a[0]), a[1] + share * (b[1] - a[1])];
    const line = (points, more) => make(svg, "polyline", { points: points.map(([x, z]) => `${X(x)},${Y(z)}`).join(" "),
      fill: "none", stroke: "#16191a", "stroke-linecap": "round", ...more });
    line([at, ...path.slice(cut)], { "stroke-width": 3.4, "stroke-dasharray": "0.1 6.5" });
    line([...path.slice(0, cut), at], { "stroke-width": 4.5 });
    const [bx, by] = [X(at[0]), Y(at[1])];
    make(svg, "path", { d: `M${bx - 5} ${by - 11}L${bx + 5} ${by + 11}`, stroke: "#16191a", "stroke-width": 2.5 });
    const base = Y(0), below = by + 18 < base - 12;
    const text = `breaks up ${shown("distance", end)}`, left = Math.max(4, bx + 8 - 6.6 * text.length);
    make(svg, "text", { x: below ? bx + 12 : left, y: below ? by + 18 : Math.min(by - 15, base - 34) }, text);
  }

  function drawMarks(svg, lane, ground, X) {
    const good = isTold(lane, "effective_reach", lane.delivered);
    if (good) post(svg, "effective_reach", "effective", lane, ground, X, 32, true);
    post(svg, "extreme_reach", "farthest drops", lane, ground, X, 50, false);
  }

  // A post on the ground with its nine in ten below it.
  function post(svg, name, words, lane, ground, X, below, filled) {
    const value = lane.delivered[name][0], [low, high] = endsOf(lane.delivered[name]), y = ground + below - 4, x = X(value);
    make(svg, "line", { x1: x, x2: x, y1: ground - 26, y2: y, stroke: "#16191a", "stroke-width": 1.5, "stroke-dasharray": filled ? "none" : "3 2" });
    make(svg, "path", { d: `M${x} ${ground - 26}h12l-4 4.5l4 4.5h-12z`, fill: filled ? "#16191a" : "#fbfaf5", stroke: "#16191a", "stroke-width": 1.5 });
    make(svg, "line", { x1: X(low), x2: X(high), y1: y, y2: y, stroke: "#16191a", "stroke-width": filled ? 5 : 2.5 });
    for (const end of [low, high]) make(svg, "line", { x1: X(end), x2: X(end), y1: y - 5, y2: y + 5, stroke: "#16191a", "stroke-width": 2 });
    const right = X(high) + 8, text = `${words} ${shown("distance", value)}`, long = 6.8 * text.length;
    const room = svg.viewBox.baseVal.width - right > long;
    make(svg, "text", { x: room ? right : Math.max(4, X(low) - 8 - long), y: y + 5 }, text);
  }

  function spoken(lane) {
    if (!lane.told) return `${lane.setup.label}: no stream is told. ${lane.notices.join(" ")}`;
    const d = lane.delivered, [low, high] = endsOf(d.extreme_reach);
    const good = isTold(lane, "effective_reach", d) ? `effective reach ${shown("distance", d.effective_reach[0])}` : "no effective reach is left";
    return `${lane.setup.label}: flows ${shown("flow", d.flow_rate[0])}, breaks up at ${shown("distance", d.breakup_distance[0])}, ` +
      `${good}, the farthest drops land at ${shown("distance", d.extreme_reach[0])}, nine in ten ${spanned("distance", low, high)}.`;
  }

  // ------------------------------------------------------------------------------------------------ controls

  const SLIDERS = ["pump", "nozzle", "length", "floor", "elevation", "wind"];
  const stepSize = (name) => (D.steps[system][name] || 1);
  const factor = (name) => (name === "floor" ? 1 : unit(name).one);
  const lanesShown = () => S.setups.filter((n) => n !== null).map((n) => D.setups[n]);

  function setUpControls() {
    const option = (select, value, text) => select.add(new Option(text, value));
    D.setups.forEach((setup, n) => option(el("first"), n, setup.label));
    option(el("second"), "", "none");
    D.setups.forEach((setup, n) => option(el("second"), n, setup.label));
    el("second").disabled = D.setups.length < 2;
    D.crews.forEach((crew, n) => option(el("crew"), n, crew.label));
    for (const part of document.querySelectorAll("[data-control=crew]")) part.hidden = !D.crews.length;
    D.situations.forEach((situation, n) => {
      const chip = el("chips").appendChild(document.createElement("button"));
      chip.type = "button";
      chip.dataset.number = n;
      chip.addEventListener("click", () => ask(n));
    });
    el("ask").hidden = !D.situations.length;
  }

  function wordsOfEdition() {
    const select = el("mistake");
    select.replaceChildren();
    for (const name in D.mistakes[system])
      if (name !== "ring" || D.setups.some((setup) => setup.low)) select.add(new Option(D.mistakes[system][name], name));
    el("chips").childNodes.forEach((chip, n) => (chip.textContent = D.situations[n][system][0]));
    for (const name of SLIDERS) {
      if (!D.controls[name]) continue;
      const [low, high] = D.controls[name].map((end) => end * factor(name)), step = stepSize(name), input = el(name);
      input.step = step;
      input.min = (Math.ceil(low / step - 1e-6) * step).toFixed(6);
      input.max = (Math.floor(high / step + 1e-6) * step).toFixed(6);
    }
    document.querySelector(`input[name=system][value=${system}]`).checked = true;
  }

  function showControls(lanes) {
    const kinds = { pump: lanes.some((l) => l.setup.lined), nozzle: lanes.some((l) => !l.setup.lined) };
    for (const name of SLIDERS) {
      const box = document.querySelector(`[data-control=${name}]`);
      const needsLine = name === "length" || name === "floor";
      box.hidden = name in kinds ? !kinds[name] : needsLine && !kinds.pump;
      if (!box.hidden) showSlider(name, lanes);
    }
    el("first").value = S.setups[0];
    el("second").value = S.setups[1] === null ? "" : S.setups[1];
    el("crew").value = S.crew;
    el("mistake").value = S.mistake;
    el("hold").checked = S.hold;
  }

  function showSlider(name, lanes) {
    const input = el(name), value = stands(name, lanes), out = el(`${name}_at`);
    input.value = value * factor(name);
    const text = name === "floor" ? (value === 0 ? "as laid" : `${value > 0 ? "+" : "−"}${Math.abs(value)}`)
      : name === "wind" ? windWords(value) : shown(name, value);
    const own = S.hold && lanes.length > 1 && (name === "pump" || name === "nozzle");
    out.textContent = name === "length" && S.length === null ? `${text}, as laid` : own ? `${text} for 1` : text;
    out.dataset.si = value;
    input.setAttribute("aria-valuetext", out.textContent);
    const [low, high] = [Number(input.min), Number(input.max)], here = value * factor(name), slack = stepSize(name) / 1000;
    el(`${name}_end`).textContent = here <= low + slack || here >= high - slack
      ? `At its end: the tables ${here <= low + slack ? "begin" : "stop"} here.` : "";
  }

  // Where a control stands, SI: for the target, the first set-up's own pressure.
  function stands(name, lanes) {
    if (name === "length") return S.length === null ? (lanes.find((l) => l.setup.lined) || lanes[0]).setup.length : S.length;
    if (!S.hold || !(name === "pump" || name === "nozzle")) return S[name];
    const lane = lanes.find((l) => l.setup.lined === (name === "pump"));
    return lane.setup.lined ? lane.believed.pump_pressure[0] : lane.believed.nozzle_pressure[0];
  }

  const windWords = (value) => Math.abs(value) < 1e-9 ? "still air"
    : `${shown("wind", Math.abs(value), 2)} ${value > 0 ? "from behind" : "in the face"}`;

  function settingWords(lanes) {
    const parts = [S.hold ? "Each pumped for its own target" : lanes[0].setup.lined ? `Pump ${shown("pump", S.pump)}` : `Nozzle ${shown("nozzle", S.nozzle)}`];
    if (lanes.some((l) => l.setup.lined)) parts.push(`last section ${el("length_at").textContent}`, `floors ${el("floor_at").textContent}`);
    parts.push(`elevation ${shown("elevation", S.elevation)}`, windWords(S.wind));
    if (D.crews[S.crew]) parts.push(D.crews[S.crew].label);
    if (S.mistake !== "none") parts.push(`wrong: ${D.mistakes[system][S.mistake].toLowerCase()}`);
    return `${parts.join("; ")}.`;
  }

  function ask(number) {
    const situation = D.situations[number], to = situation.controls;
    const given = D.setups[to.setups[0]], crew = D.crews.findIndex((c) => c.label === given.crew);
    S = { ...start(), crew: Math.max(0, crew), ...to, setups: [to.setups[0], to.setups.length > 1 ? to.setups[1] : null] };
    S.elevation = to.elevation === undefined ? given.tables.site : to.elevation;
    if (to.pressure !== undefined) Object.assign(S, { hold: false, pump: to.pressure, nozzle: to.pressure });
    asked = number;
    reveal(false);
    render();
  }

  let asked = null;
  function reveal(open) {
    el("answer").hidden = !open;
    el("reveal").setAttribute("aria-expanded", String(open));
    el("reveal").textContent = open ? "Hide the answer" : "Show the answer";
  }

  function showAsked() {
    el("asked").hidden = asked === null;
    el("chips").childNodes.forEach((chip, n) => chip.setAttribute("aria-pressed", String(n === asked)));
    if (asked === null) return;
    [, el("question").textContent, el("answer").textContent] = D.situations[asked][system];
  }

  // ------------------------------------------------------------------------------------------------ all of it

  let saying = 0;
  function render() {
    const lanes = lanesShown().map(laneOf);
    for (const lane of lanes) {
      lane.shape = lane.told ? shapeOf(lane, lane.delivered, lane.at, lane.tables) : null;
      const own = { ...lane.at, pressure: lane.setup.lined ? lane.believed.pump_pressure[0] : lane.at.pressure, kinked: false };
      lane.thought = lane.wrong && lane.thoughtTold ? shapeOf(lane, lane.believed, own, lane.setup.tables) : null;
    }
    const boxes = [0, 1].map((n) => el(`lane${n}`));
    boxes.forEach((box, n) => (box.hidden = n >= lanes.length));
    el("lanes").className = lanes.length > 1 ? "both" : "alone";
    showControls(lanes);
    lanes.forEach((lane, n) => {
      boxes[n].querySelector(".name").textContent = lane.setup.label;
      boxes[n].querySelector(".what").textContent = lane.setup.what;
      boxes[n].querySelector("caption").textContent = `Numbers of ${lane.setup.label}`;
      tell(lane, boxes[n]);
      boxes[n].querySelector(".verdict").textContent = verdict(lane);
      const notes = lane.told ? [...lane.notices, stretchedWords(lane)].filter(Boolean) : lane.notices;
      boxes[n].querySelector(".notices").replaceChildren(...notes.map((text) => Object.assign(document.createElement("li"), { textContent: text })));
    });
    el("beside").textContent = besideWords(lanes);
    el("set").textContent = settingWords(lanes);
    showAsked();
    const scale = scaleOf(lanes, boxes.slice(0, lanes.length));
    lanes.forEach((lane, n) => draw(lane, boxes[n], scale));
    clearTimeout(saying);
    saying = setTimeout(() => (el("said").textContent = lanes.map(spoken).join(" ")), 700);
  }

  function besideWords(lanes) {
    if (lanes.length < 2 || !lanes.every((lane) => lane.told)) return "";
    const [one, other] = lanes.map((lane) => lane.delivered.extreme_reach.slice(1));
    const farther = one.filter((x, c) => x > other[c]).length;
    return `In ${counted(farther)} the farthest drops of 1 land beyond those of 2.`;
  }

  function listen() {
    for (const name of SLIDERS)
      el(name).addEventListener("input", () => {
        S[name] = Number(el(name).value) / factor(name);
        if (name === "pump" || name === "nozzle") {
          if (S.hold) holdOther(name);
          S.hold = false;
        }
        render();
      });
    const on = (id, change) => el(id).addEventListener("change", () => { change(el(id).value); render(); });
    on("first", (value) => { S.setups[0] = Number(value); });
    on("second", (value) => { S.setups[1] = value === "" ? null : Number(value); });
    on("crew", (value) => { S.crew = Number(value); });
    on("mistake", (value) => { S.mistake = value; });
    on("hold", () => { S.hold = el("hold").checked; });
    document.querySelectorAll("input[name=system]").forEach((input) => input.addEventListener("change", () => {
      system = input.value;
      wordsOfEdition();
      render();
    }));
    el("back").addEventListener("click", () => {
      const kept = S.setups, lead = D.setups[kept[0]];
      S = { ...start(), setups: kept, elevation: lead.tables.site, crew: Math.max(0, D.crews.findIndex((c) => c.label === lead.crew)) };
      asked = null;
      render();
    });
    el("reveal").addEventListener("click", () => reveal(el("answer").hidden));
    el("print").addEventListener("click", () => window.print());
    el("way").addEventListener("submit", (event) => event.preventDefault());
    new ResizeObserver(() => render()).observe(document.body);
    window.matchMedia("print").addEventListener("change", () => render());
  }

  // When one pressure is set by hand, the other control stands where its target put it.
  function holdOther(name) {
    const other = name === "pump" ? "nozzle" : "pump", lanes = lanesShown().map(laneOf);
    if (lanes.some((lane) => lane.setup.lined === (other === "pump"))) {
      const own = S[name];
      S.hold = true;
      S[other] = stands(other, lanes);
      S[name] = own;
    }
  }

  setUpControls();
  wordsOfEdition();
  listen();
  render();
})();
