"use strict";
// Direct sound and in-room estimate wherever the loudspeaker is aimed, from levels that travel with the page.
(() => {
  const SVG = "http://www.w3.org/2000/svg";
  const LOWEST_HZ = 20, HIGHEST_HZ = 20000, DB_PER_DECADE = 25, STEP_DB = 5;
  // Taller than this, the panel and its controls would not be seen together.
  const TALLEST_PX = 460, CARD_PADDING_PX = 8;
  const TICKS_HZ = [[20, "20"], [50, "50"], [100, "100"], [200, "200"], [500, "500"], [1000, "1k"], [2000, "2k"],
    [5000, "5k"], [10000, "10k"], [20000, "20k"]];
  const VERDICTS = ["good", "caution", "do not use"];
  const MINUS = "\u2212";

  async function inflated(text) {
    const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }

  // Codes (frequency, node) from differences along the nodes, low bytes of all first, then the high ones.
  function unpacked(bytes, size, frequencies) {
    const count = bytes.length / size, nodes = count / frequencies;
    const codes = size === 2 ? new Int16Array(count) : new Uint8Array(count);
    for (let at = 0; at < count; at++) {
      const before = at % nodes === 0 ? 0 : codes[at - 1];
      codes[at] = before + bytes[at] + (size === 2 ? 256 * bytes[count + at] : 0);
    }
    return codes;
  }

  class Sphere {
    constructor(data, levels, shares) {
      const flags = data.unscanned === null ? "" : atob(data.unscanned);
      this.unscanned = (node) => node >> 3 < flags.length && (flags.charCodeAt(node >> 3) >> (node & 7) & 1) === 1;
      this.coding = data.coding;
      this.weights = data.in_room_weights;
      this.frequencies = data.frequency_hz.length;
      this.levels = levels;
      this.shares = shares;
      this.nodes = levels.length / this.frequencies;
      this.around = 360 / this.coding.step_deg;
    }

    // Straight down, rings upwards with azimuths from -175 to 180 degrees, straight up.
    node(azimuth, elevation) {
      const step = this.coding.step_deg;
      if (elevation <= -90) return 0;
      if (elevation >= 90) return this.nodes - 1;
      const column = ((azimuth + 180 - step) / step % this.around + this.around) % this.around;
      return 1 + (elevation + 90 - step) / step * this.around + column;
    }

    level(frequency, node) {
      const code = this.levels[frequency * this.nodes + node];
      return code === this.coding.no_level ? NaN : code * this.coding.level_step_db;
    }

    curve(node) {
      return Array.from({ length: this.frequencies }, (_, frequency) => this.level(frequency, node));
    }

    // How far the amplitude may be off, re itself.
    share(frequency, node) {
      const code = this.shares === null ? 256 : this.shares[frequency * this.nodes + node];
      const { least_share: least, most_share: most, widest_code: widest } = this.coding;
      if (code > widest) return NaN;
      return code === 0 ? 0 : least * (most / least) ** ((code - 1) / (widest - 1));
    }

    band(frequency, node) {
      const level = this.level(frequency, node), share = this.share(frequency, node);
      return [level + 20 * Math.log10(Math.max(0, 1 - share)), level + 20 * Math.log10(1 + share)];
    }

    // About an axis in the horizontal plane: the weighted mean of squared pressure.
    inRoom(axisAzimuth) {
      const parts = this.weights.map(([azimuth, elevation, weight]) =>
        [this.node(axisAzimuth + azimuth, elevation), weight]);
      return Array.from({ length: this.frequencies }, (_, frequency) => 10 * Math.log10(
        parts.reduce((sum, [node, weight]) => sum + weight * 10 ** (this.level(frequency, node) / 10), 0)));
    }
  }

  const wrapped = (degrees) => degrees - 360 * Math.ceil((degrees - 180) / 360);
  const signed = (text) => text.replace("-", MINUS);
  const decibels = (value) => Number.isNaN(value) ? "not known"
    : Number.isFinite(value) ? `${signed(value.toFixed(2).replace(/^-(?=0\.00$)/, ""))} dB` : `${MINUS}\u221e dB`;
  const hertz = (value) => value < 1000 ? `${+value.toPrecision(4)} Hz` : `${+(value / 1000).toPrecision(4)} kHz`;
  const turned = (degrees) => degrees === 0 ? "straight ahead"
    : `turned ${Math.abs(degrees)}° to its ${degrees > 0 ? "left" : "right"}`;

  function drawn(parent, name, attributes, text) {
    const element = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) element.setAttribute(key, value);
    if (text !== undefined) element.textContent = text;
    parent.append(element);
    return element;
  }

  function levelSpan(levels, verdicts) {
    const sound = levels.filter((level, at) => Number.isFinite(level) && verdicts[at] < 2);
    const known = sound.length ? sound : levels.filter(Number.isFinite);
    if (!known.length) return [0, 50];
    const top = STEP_DB * Math.ceil((Math.max(...known) + 3) / STEP_DB);
    return [top - (top - Math.min(...known) > 48 ? 80 : 50), top];
  }

  // The panel: 25 dB are as long as a decade (IEC 60263), text has the size of the page's own.
  class Plot {
    constructor(svg, data, span, name) {
      Object.assign(this, { svg, data, span, name, left: 52, right: 14, top: 10, bottom: 46 });
    }

    measure(room) {
      const decades = Math.log10(HIGHEST_HZ / LOWEST_HZ), spans = (this.span[1] - this.span[0]) / DB_PER_DECADE;
      this.decade = Math.min((Math.max(room, 260) - this.left - this.right) / decades, TALLEST_PX / spans);
      this.inner = this.decade * decades;
      this.width = this.inner + this.left + this.right;
      this.tall = this.decade * spans;
    }

    x(hz) {
      return this.left + Math.log10(hz / LOWEST_HZ) * this.decade;
    }

    y(db) {
      return this.top + (this.span[1] - db) * this.decade / DB_PER_DECADE;
    }

    nearest(x) {
      const away = this.data.frequency_hz.map((hz) => Math.abs(this.x(hz) - x));
      return away.indexOf(Math.min(...away));
    }

    path(levels) {
      let text = "", gap = true;
      this.data.frequency_hz.forEach((hz, at) => {
        const known = Number.isFinite(levels[at]);
        if (known) text += `${gap ? "M" : "L"}${this.x(hz).toFixed(1)} ${this.y(levels[at]).toFixed(1)}`;
        gap = !known;
      });
      return text;
    }

    band(ends) {
      const floor = this.span[0] - 100;
      const known = this.data.frequency_hz.map((hz, at) => [this.x(hz), ...ends[at]])
        .filter((corner) => !Number.isNaN(corner[1] + corner[2]));
      const corner = (x, db) => `${x.toFixed(1)} ${this.y(Math.max(db, floor)).toFixed(1)}`;
      const upper = known.map(([x, , high]) => corner(x, high));
      const lower = known.map(([x, low]) => corner(x, low)).reverse();
      return upper.length ? `M${[...upper, ...lower].join("L")}Z` : "";
    }

    draw(curves, ends, reading) {
      const { svg, width, tall, left, inner, top, data } = this;
      svg.replaceChildren();
      svg.setAttribute("viewBox", `0 0 ${width} ${Math.ceil(top + tall + this.bottom)}`);
      svg.setAttribute("width", width);
      this.definitions();
      this.verdicts();
      this.axes();
      const panel = drawn(svg, "g", { "clip-path": `url(#${this.name}-panel)`, fill: "none" });
      drawn(panel, "path", { d: this.band(ends), fill: data.pens.direct.color, "fill-opacity": 0.22 });
      for (const [name, levels] of Object.entries(curves)) {
        const pen = data.pens[name], wide = name === "direct" ? 2.4 : 1.7;
        const dash = pen.dash.map((part) => (part * wide).toFixed(1)).join(" ");
        drawn(panel, "path", { d: this.path(levels), stroke: pen.color, "stroke-width": wide, "stroke-dasharray": dash });
      }
      const x = this.x(data.frequency_hz[reading]);
      drawn(panel, "path", { d: `M${x} ${top}V${top + tall}`, class: "cursor" });
      drawn(svg, "rect", { x: left, y: top, width: inner, height: tall, class: "frame" });
    }

    definitions() {
      const definitions = drawn(this.svg, "defs", {});
      const clip = drawn(definitions, "clipPath", { id: `${this.name}-panel` });
      drawn(clip, "rect", { x: this.left, y: this.top, width: this.inner, height: this.tall });
      const hatch = drawn(definitions, "pattern", { id: `${this.name}-hatch`, width: 7, height: 7,
        patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
      drawn(hatch, "path", { d: "M0 0V7", class: "hatch" });
    }

    // Grey where caution is due, hatched where nothing may be believed, from midpoint to midpoint.
    verdicts() {
      const hz = this.data.frequency_hz, codes = this.data.verdict;
      const edge = (at) => at <= 0 ? hz[0] : at >= hz.length ? hz[hz.length - 1] : Math.sqrt(hz[at - 1] * hz[at]);
      for (let start = 0, stop; start < hz.length; start = stop) {
        for (stop = start + 1; stop < hz.length && codes[stop] === codes[start]; stop++);
        if (codes[start] === 0) continue;
        const x = Math.max(this.x(edge(start)), this.left), end = Math.min(this.x(edge(stop)), this.left + this.inner);
        const fill = codes[start] === 1 ? {} : { fill: `url(#${this.name}-hatch)` };
        drawn(this.svg, "rect", { x, y: this.top, width: Math.max(end - x, 1), height: this.tall,
          class: codes[start] === 1 ? "caution" : "refused", ...fill });
      }
    }

    axes() {
      const { svg, left, top, tall, inner, width } = this;
      for (let decade = 10; decade < HIGHEST_HZ; decade *= 10) {
        for (let digit = 1; digit < 10; digit++) {
          const hz = digit * decade;
          if (hz > LOWEST_HZ && hz < HIGHEST_HZ) {
            drawn(svg, "path", { d: `M${this.x(hz).toFixed(1)} ${top}v${tall}`, class: "grid" });
          }
        }
      }
      const narrow = width < 400;
      for (const [hz, words] of TICKS_HZ) {
        if (narrow && /5|200|2k/.test(words)) continue;
        drawn(svg, "text", { x: this.x(hz), y: top + tall + 18, "text-anchor": "middle" }, words);
      }
      for (let db = this.span[0]; db <= this.span[1]; db += STEP_DB) {
        drawn(svg, "path", { d: `M${left} ${this.y(db).toFixed(1)}h${inner}`, class: "grid" });
        if (db % 10 === 0) {
          drawn(svg, "text", { x: left - 6, y: this.y(db) + 4, "text-anchor": "end" }, signed(String(db)));
        }
      }
      drawn(svg, "text", { x: left + inner / 2, y: top + tall + 38, "text-anchor": "middle" }, "frequency in Hz");
      drawn(svg, "text", { x: 0, y: 0, "text-anchor": "middle",
        transform: `translate(14 ${top + tall / 2}) rotate(-90)` }, "level in dB");
    }
  }

  class Explorer {
    constructor(section, data, sphere) {
      Object.assign(this, { section, data, sphere });
      this.onAxis = sphere.curve(sphere.node(0, 0));
      const svg = section.querySelector("svg[data-plot]");
      this.plot = new Plot(svg, data, levelSpan(this.onAxis, data.verdict), section.id);
      this.inputs = Object.fromEntries([...section.querySelectorAll("input")].map((input) => [input.name, input]));
      const read = this.inputs.frequency;
      read.max = data.frequency_hz.length - 1;
      read.value = data.frequency_hz.findIndex((hz) => hz >= 1000 || hz === data.frequency_hz[read.max]);
      this.swatches();
      section.addEventListener("input", () => this.show());
      section.addEventListener("click", (event) => this.pressed(event));
      for (const kind of ["pointermove", "pointerdown"]) svg.addEventListener(kind, (event) => this.pointed(event));
      new ResizeObserver(() => this.show()).observe(svg.parentElement);
      for (const part of section.querySelectorAll("[data-live]")) part.hidden = false;
      section.querySelector("[data-waiting]").hidden = true;
      this.show();
    }

    value(name) {
      return Number(this.inputs[name].value);
    }

    pressed(event) {
      const preset = event.target.dataset.preset;
      if (preset === undefined) return;
      this.inputs.toe_in.value = preset === "listener" ? this.value("azimuth") : 0;
      this.show();
    }

    pointed(event) {
      const box = this.plot.svg.getBoundingClientRect();
      this.inputs.frequency.value = this.plot.nearest((event.clientX - box.left) * this.plot.width / box.width);
      this.show();
    }

    swatches() {
      for (const line of this.section.querySelectorAll("svg[data-pen] path")) {
        const pen = this.data.pens[line.parentElement.dataset.pen];
        line.setAttribute("stroke", pen.color);
        line.setAttribute("stroke-dasharray", pen.dash.map((part) => part * 2.2).join(" "));
      }
    }

    // The loudspeaker turns and the room stays: what was at an azimuth is then as much farther to its right.
    show() {
      const azimuth = this.value("azimuth"), elevation = this.value("elevation"), toeIn = this.value("toe_in");
      const heard = Math.abs(elevation) === 90 ? 0 : wrapped(azimuth - toeIn);
      const node = this.sphere.node(heard, elevation), reading = this.value("frequency");
      const curves = { on_axis: this.onAxis, in_room: this.sphere.inRoom(-toeIn), direct: this.sphere.curve(node) };
      const ends = this.data.frequency_hz.map((_, frequency) => this.sphere.band(frequency, node));
      this.plot.measure(this.plot.svg.parentElement.clientWidth - 2 * CARD_PADDING_PX);
      this.plot.draw(curves, ends, reading);
      this.tell({ azimuth, elevation, toeIn, heard, node }, curves, ends[reading], reading);
    }

    tell({ azimuth, elevation, toeIn, heard, node }, curves, [low, high], reading) {
      const put = (name, text) => {
        for (const place of this.section.querySelectorAll(`[data-show="${name}"]`)) place.textContent = text;
      };
      const degrees = (value) => `${signed(String(value))}°`;
      const hz = this.data.frequency_hz[reading], verdict = VERDICTS[this.data.verdict[reading]];
      const own = Object.fromEntries(Object.entries(curves).map(([name, levels]) => [name, levels[reading]]));
      put("azimuth", degrees(azimuth));
      put("elevation", degrees(elevation));
      put("toe_in", degrees(toeIn));
      put("frequency", hertz(hz));
      for (const name of Object.keys(own)) {
        put(name, decibels(own[name]));
        if (name !== "on_axis") put(`${name}_re_axis`, decibels(own[name] - own.on_axis));
      }
      const band = Number.isNaN(low + high) ? "not known" : `${decibels(low).replace(" dB", "")} to ${decibels(high)}`;
      put("band", band);
      put("verdict", verdict);
      const words = `Loudspeaker ${turned(toeIn)}: the listener hears it from azimuth ${degrees(heard)}, elevation `
        + `${degrees(elevation)} of its own axis.`;
      const guessed = this.sphere.unscanned(node) ? " Nothing was measured in that direction: it rests on others." : "";
      put("told", `${words}${guessed} At ${hertz(hz)} (${verdict}): direct sound ${decibels(own.direct)}, on axis `
        + `${decibels(own.on_axis)}, in-room estimate ${decibels(own.in_room)}.`);
      this.inputs.azimuth.setAttribute("aria-valuetext", degrees(azimuth));
      this.inputs.elevation.setAttribute("aria-valuetext", degrees(elevation));
      this.inputs.toe_in.setAttribute("aria-valuetext", `${degrees(toeIn)}, ${turned(toeIn)}`);
      this.inputs.frequency.setAttribute("aria-valuetext", hertz(hz));
    }
  }

  async function start(section) {
    const data = JSON.parse(document.getElementById(section.dataset.explorer).textContent);
    const frequencies = data.frequency_hz.length;
    const levels = unpacked(await inflated(data.levels), 2, frequencies);
    const shares = data.shares === null ? null : unpacked(await inflated(data.shares), 1, frequencies);
    new Explorer(section, data, new Sphere(data, levels, shares));
  }

  document.querySelectorAll("[data-explorer]").forEach(start);
})();
