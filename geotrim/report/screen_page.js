"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const byId = (id) => document.getElementById(id);
  const n = data.n, NONE = -1;
  // What a spreadsheet takes for the start of a formula.
  const FORMULA = /^'*[=+\-@\t\r]/;

  // --- Columns: numbers packed into few bytes ------------------------------------------------

  // Groups of seven bits, lowest first; one less than the number is 0, -1, 1, -2 ... ; 0 is a gap.
  function unpacked(text, scale) {
    const bytes = atob(text), out = [];
    let value = 0, weight = 1;
    for (let k = 0; k < bytes.length; k += 1) {
      const byte = bytes.charCodeAt(k);
      value += (byte & 127) * weight;
      if (byte > 127) { weight *= 128; continue; }
      const code = value - 1;
      out.push(value === 0 ? NaN : (code % 2 ? -(code + 1) / 2 : code / 2) / scale);
      value = 0; weight = 1;
    }
    return Float64Array.from(out);
  }

  const columns = new Map();
  for (const one of data.columns) {
    if (one.kind === "number") one.values = unpacked(one.data, 10 ** one.decimals);
    else if (one.kind === "choice") one.places = unpacked(one.data, 1);
    else one.values = one.data;
    if (one.kind !== "text" && one.kind !== "raw") delete one.data;
    columns.set(one.key, one);
  }
  const codes = unpacked(data.codes, 1);
  const isNumber = (one) => one.kind === "number" || one.kind === "raw";
  // Numbers of the lots' own fields are names as often as sizes, so they are shown as they are.
  const isPlain = (one) => one.kind === "raw" || one.shown === null;

  // A number of a column, NaN for a gap.
  function numberOf(key, row) {
    const value = columns.get(key).values[row];
    return value === null ? NaN : value;
  }

  // Text of a column as it is shown, "" for a gap.
  function textOf(key, row) {
    const one = columns.get(key);
    if (one.kind === "choice") { const at = one.places[row]; return Number.isNaN(at) ? "" : one.words[at]; }
    const value = one.values[row];
    if (value === null || value === undefined || Number.isNaN(value)) return "";
    return isNumber(one) && !isPlain(one) ? shownNumber(value, one.shown) : String(value);
  }

  const formats = new Map();
  function shownNumber(value, decimals) {
    if (!formats.has(decimals)) formats.set(decimals, new Intl.NumberFormat("en-US", { minimumFractionDigits: decimals, maximumFractionDigits: decimals }));
    return formats.get(decimals).format(value);
  }

  const listOf = (key, row) => textOf(key, row).split(";").map((part) => part.trim()).filter((part) => part !== "");
  // "species unknown: 3" and "owner-depth (3)" as words and a number; null where none is told.
  function counted(part) {
    const found = /^(.*?)(?::\s*([\d,]+)|\s*\(([\d,]+)\))$/.exec(part);
    return found ? [found[1], Number((found[2] || found[3]).replaceAll(",", ""))] : [part, null];
  }
  // Without a shore nothing is judged, whatever the rules say of the trees.
  const isJudged = Uint8Array.from({ length: n }, (_, row) => textOf("status", row) === "measured");
  const isOut = Uint8Array.from({ length: n }, (_, row) => ["unfit", "failed"].includes(textOf("status", row)));
  // Kinds of what a look at the place would settle, with the lots of each, and trees of each lot.
  const checks = new Map(), nToCheck = new Float64Array(n), isVisit = new Uint8Array(n);
  for (let row = 0; row < n; row += 1) {
    for (const part of listOf("to_check", row)) {
      const [kind, count] = counted(part);
      if (!checks.has(kind)) checks.set(kind, new Uint8Array(n));
      checks.get(kind)[row] = 1;
      nToCheck[row] += count === null ? 1 : count;
    }
    isVisit[row] = nToCheck[row] > 0 || isOut[row] || textOf("note", row) !== "" ? 1 : 0;
  }
  const isUnmet = Uint8Array.from({ length: n }, (_, row) => columns.has("unmet_duties") && textOf("unmet_duties", row) !== "");
  const STANDING_WORDS = { "other plan": "with another plan" };
  const routeName = (key) => (Object.hasOwn(data.route_names, key) ? data.route_names[key] : key);

  // The way a lot is told by, as far as anything was judged.
  function wayOf(row) {
    const told = isJudged[row] ? textOf("outcome_route", row) : "";
    return told === "" ? "" : routeName(told);
  }

  // The last resort is open to whoever applies, which says nothing of the lot.
  const wayWords = (route, word) => (route.is_last && word === "open" ? "by application, weighed case by case" : standingWords(word));
  const standingWords = (word) => (Object.hasOwn(STANDING_WORDS, word) ? STANDING_WORDS[word] : word);

  // --- Small pieces of page --------------------------------------------------------------------

  function make(name, text, className) {
    const out = document.createElement(name);
    if (text !== undefined) out.textContent = text;
    if (className) out.className = className;
    return out;
  }

  // The kind of a lot as the map shows it.
  function swatch(kind) {
    const out = make("canvas", undefined, "swatch");
    out.width = 44; out.height = 30;
    out.setAttribute("aria-hidden", "true");
    const pen = out.getContext("2d");
    pen.fillStyle = kind.colour; pen.fillRect(0, 0, 44, 30);
    if (kind.hatch) { pen.fillStyle = pen.createPattern(hatch(kind, 2), "repeat"); pen.fillRect(0, 0, 44, 30); }
    return out;
  }

  // A square to be repeated over an area.
  function hatch(kind, ratio) {
    const out = document.createElement("canvas"), side = 6 * ratio;
    out.width = out.height = side;
    const pen = out.getContext("2d");
    pen.strokeStyle = pen.fillStyle = kind.hatch_colour; pen.lineWidth = 1.1 * ratio;
    const line = (x0, y0, x1, y1) => { pen.beginPath(); pen.moveTo(x0, y0); pen.lineTo(x1, y1); pen.stroke(); };
    const slash = () => { line(-1, side + 1, side + 1, -1); line(-1, 1, 1, -1); line(side - 1, side + 1, side + 1, side - 1); };
    const back = () => { line(-1, -1, side + 1, side + 1); line(side - 1, -1, side + 1, 1); line(-1, side - 1, 1, side + 1); };
    if (kind.hatch === ".") { pen.beginPath(); pen.arc(side / 2, side / 2, 1.2 * ratio, 0, 7); pen.fill(); }
    if (kind.hatch === "/") slash();
    if (kind.hatch === "\\") back();
    if (kind.hatch === "x") { slash(); back(); }
    if (kind.hatch === "-") line(0, side / 2, side, side / 2);
    if (kind.hatch === "|") line(side / 2, 0, side / 2, side);
    return out;
  }

  // --- The head, the foot and the filters --------------------------------------------------------

  document.title = `Screening: ${data.title}`;
  byId("title").textContent = data.title;
  byId("about").textContent = data.about;
  byId("open").textContent = data.open;
  byId("caution").textContent = data.caution;
  for (const text of data.cautions) byId("cautions").append(make("li", text));
  for (const [level, about, text, times, named] of data.notes) {
    const many = times > 1 ? ` (${times.toLocaleString("en-US")} times)` : "", which = named ? `; such as ${named}` : "";
    byId("notes-list").append(make("li", `${level}. ${about}: ${text}${many}${which}`));
  }
  if (data.n_notes > data.notes.length) {
    byId("notes-list").append(make("li", `and ${data.n_notes - data.notes.length} more: see notes.csv`));
  }
  byId("notes").hidden = data.notes.length === 0;
  for (const one of data.columns) {
    const name = make("dt", one.key), unit = one.unit ? ` [${one.unit}]` : "";
    byId("columns-list").append(name, make("dd", `${one.means}${unit}`));
  }

  function fillSelect(id, first, pairs) {
    byId(id).append(new Option(first, ""));
    for (const [value, text] of pairs) byId(id).append(new Option(text, value));
  }
  const places = new Map();
  for (let row = 0; row < n; row += 1) { const name = textOf("jurisdiction", row); places.set(name, (places.get(name) || 0) + 1); }
  // An option's value is its place in this list, so that "" stays free for all of them.
  const placeNames = [...places.keys()].sort((a, b) => a.localeCompare(b, "en"));
  fillSelect("f-place", "(all)", placeNames.map((name, k) => [String(k), `${name} (${places.get(name).toLocaleString("en-US")})`]));
  const many = (count) => count.toLocaleString("en-US");
  const toldBy = new Map();
  for (let row = 0; row < n; row += 1) { const way = wayOf(row); if (way !== "") toldBy.set(way, (toldBy.get(way) || 0) + 1); }
  const wayNames = [...toldBy.keys()].sort((a, b) => a.localeCompare(b, "en"));
  fillSelect("f-route", "(all)", wayNames.map((name, k) => [String(k), `${name} (${many(toldBy.get(name))})`]));
  // How each way stands, whatever the lot is told by; the value is its place in this list.
  const standings = [];
  byId("f-standing").append(new Option("(all)", ""));
  for (const route of data.routes) {
    const counts = new Map();
    for (let row = 0; row < n; row += 1) {
      const word = isJudged[row] ? textOf(route.column, row) : "";
      if (word !== "") counts.set(word, (counts.get(word) || 0) + 1);
    }
    if (!counts.size) continue;
    const group = document.createElement("optgroup");
    group.label = route.name;
    for (const word of [...counts.keys()].sort()) {
      group.append(new Option(`${route.name}: ${wayWords(route, word)} (${many(counts.get(word))})`, String(standings.length)));
      standings.push([route.column, word]);
    }
    byId("f-standing").append(group);
  }
  function choice(box, ...content) {
    const label = make("label", undefined, "choice"), words = make("span");
    box.type = "checkbox";
    words.append(...content);
    label.append(box, words);
    return label;
  }
  const sum = (flags) => flags.reduce((total, one) => total + one, 0);
  byId("f-visit-words").textContent = `worth a visit: something to check, a note, or not measured (${many(sum(isVisit))})`;
  byId("f-unmet-words").textContent = `duties not met (${many(sum(isUnmet))})`;
  byId("f-unmet-words").parentNode.hidden = sum(isUnmet) === 0;
  const checkKinds = [...checks.keys()].sort();
  byId("f-checks").hidden = checkKinds.length === 0;
  checkKinds.forEach((kind, k) => {
    const box = make("input");
    box.dataset.check = String(k);
    byId("f-checks").append(choice(box, `${kind} (${many(sum(checks.get(kind)))})`));
  });
  const standCounts = new Int32Array(data.stands.length);
  for (const code of codes) standCounts[code] += 1;
  data.stands.forEach((kind, k) => {
    if (!standCounts[k]) return;
    const box = make("input");
    box.defaultChecked = true; box.dataset.stand = String(k);
    byId("f-stands").append(choice(box, swatch(kind), `${kind.words} (${many(standCounts[k])})`));
  });

  // A length a user wrote: null where there is none, NaN where it is no number.
  function lengthIn(id) {
    const text = byId(id).value.trim().replace(/(\d),(?=\d{3}(?!\d))/g, "$1").replace(/\s*(ft|feet)\.?$/i, "");
    if (text === "") { byId(id).setAttribute("aria-invalid", "false"); return null; }
    const value = /^\d*\.?\d+$|^\d+\.$/.test(text) ? Number(text) : NaN;
    byId(id).setAttribute("aria-invalid", String(Number.isNaN(value)));
    return value;
  }

  // A column's words are looked through as they are; each word of a list once for all its lots.
  const SEARCHED = ["lot_id", "jurisdiction", "reason", "fault", "note", "outcome_words", "to_find_out", "to_check"];
  const searched = data.columns.filter((one) => one.is_own || SEARCHED.includes(one.key));
  function finder(text) {
    const has = (value) => value !== null && value !== undefined && !Number.isNaN(value) && String(value).toLowerCase().includes(text);
    const tests = searched.map((one) => {
      if (one.kind !== "choice") return (row) => has(one.values[row]);
      const found = one.words.map(has);
      return (row) => !Number.isNaN(one.places[row]) && found[one.places[row]];
    });
    return (row) => tests.some((test) => test(row));
  }

  const isIn = new Uint8Array(n).fill(1);
  let order = Int32Array.from({ length: n }, (_, k) => k); // rows that are shown, in the order they are shown
  let sorted = { key: "lot_number", down: false };

  function filter() {
    const text = byId("f-text").value.trim().toLowerCase();
    const place = byId("f-place").value === "" ? null : placeNames[Number(byId("f-place").value)];
    const way = byId("f-route").value === "" ? null : wayNames[Number(byId("f-route").value)];
    const standing = byId("f-standing").value === "" ? null : standings[Number(byId("f-standing").value)];
    const from = lengthIn("f-from"), to = lengthIn("f-to");
    const visit = byId("f-visit").checked, unmet = byId("f-unmet").checked;
    const kinds = [...document.querySelectorAll("#f-checks input:checked")].map((box) => checks.get(checkKinds[Number(box.dataset.check)]));
    const holdsText = text === "" ? null : finder(text);
    const stands = new Set([...document.querySelectorAll("#f-stands input:checked")].map((box) => Number(box.dataset.stand)));
    const told = [from, to].some(Number.isNaN) ? "A frontage that is no number is left aside; write it in digits, such as 65.5." : "";
    byId("f-told").textContent = told || (from !== null && to !== null && from > to ? "The frontage asked for ends before it begins." : "");
    for (let row = 0; row < n; row += 1) {
      let keep = stands.has(codes[row]) && !(visit && !isVisit[row]) && !(unmet && !isUnmet[row]);
      if (keep && kinds.length) keep = kinds.some((kind) => kind[row] === 1);
      if (keep && place !== null) keep = textOf("jurisdiction", row) === place;
      if (keep && way !== null) keep = wayOf(row) === way;
      if (keep && standing !== null) keep = Boolean(isJudged[row]) && textOf(standing[0], row) === standing[1];
      if (keep && from !== null && !Number.isNaN(from)) keep = numberOf("frontage_length_ft", row) >= from;
      if (keep && to !== null && !Number.isNaN(to)) keep = numberOf("frontage_length_ft", row) <= to;
      if (keep && holdsText !== null) keep = holdsText(row);
      isIn[row] = keep ? 1 : 0;
    }
    sort();
  }

  // --- Sorting -------------------------------------------------------------------------------------

  const collator = new Intl.Collator("en", { numeric: true, sensitivity: "base" });
  const ranks = new Map();

  // Place of each lot by a column; lots without a value have none and come last either way.
  function rankOf(key) {
    if (ranks.has(key)) return ranks.get(key);
    let out;
    if (key === "stand") out = codes;
    // Most trees to check first; then what is not measured, then what only has a note.
    else if (key === "to_check") out = Float64Array.from({ length: n }, (_, row) => nToCheck[row] || (isOut[row] ? 0.5 : isVisit[row] ? 0.25 : NaN));
    else if (key !== "outcome_route" && isNumber(columns.get(key))) out = Float64Array.from({ length: n }, (_, row) => numberOf(key, row));
    else {
      const all = Array.from({ length: n }, (_, row) => (key === "outcome_route" ? wayOf(row) : textOf(key, row)));
      const each = [...new Set(all)].filter((text) => text !== "").sort(collator.compare);
      const rank = new Map();
      let last = -1;
      each.forEach((text, k) => { // what the order holds for equal is equal
        if (k === 0 || collator.compare(each[k - 1], text) !== 0) last = k;
        rank.set(text, last);
      });
      out = Float64Array.from(all, (text) => (text === "" ? NaN : rank.get(text)));
    }
    ranks.set(key, out);
    return out;
  }

  function sort() {
    const rank = rankOf(sorted.key), sign = sorted.down ? -1 : 1;
    const rows = [];
    for (let row = 0; row < n; row += 1) if (isIn[row]) rows.push(row);
    rows.sort((a, b) => {
      const one = rank[a], other = rank[b];
      if (Number.isNaN(one) || Number.isNaN(other)) return Number.isNaN(one) - Number.isNaN(other) || a - b;
      return sign * (one - other) || a - b;
    });
    order = Int32Array.from(rows);
    tellShown();
    byId("scroll").scrollTop = 0;
    drawRows(true);
    askMap();
    tellOutside();
  }

  function tellShown() {
    let sum = 0;
    for (const row of order) { const length = numberOf("frontage_length_ft", row); if (!Number.isNaN(length)) sum += length; }
    const lots = n === 1 ? "lot" : "lots";
    byId("shown").textContent = `${order.length.toLocaleString("en-US")} of ${n.toLocaleString("en-US")} ${lots} shown, ${shownNumber(sum, 1)} ft of frontage`;
    byId("download").disabled = order.length === 0;
  }

  // --- The table: only the rows in sight are there -------------------------------------------------

  const headOf = (key) => columns.get(key).head;
  const TABLE = [
    { key: "lot_id", head: headOf("lot_id") },
    { key: "jurisdiction", head: headOf("jurisdiction"), far: true },
    { key: "stand", head: "how it stands" },
    { key: "outcome_route", head: headOf("outcome_route"), far: true },
    { key: "frontage_length_ft", head: headOf("frontage_length_ft"), number: true },
    { key: "fringe_depth_max_ft", head: headOf("fringe_depth_max_ft"), number: true, far: true },
    { key: "n_crowns", head: headOf("n_crowns"), number: true, far: true },
    { key: "to_check", head: "to check", isMostFirst: true },
  ];
  const ROW_PX = 44, BEYOND = 12;
  const scroll = byId("scroll"), table = byId("table"), rows = byId("rows");
  // Rows that are printed; the rest are in a file.
  const MOST_ON_PAPER = 400;
  let chosen = NONE, drawn = [0, 0], isPaper = false;

  TABLE.forEach((one, place) => {
    byId("cols").append(make("col", undefined, `c${place}${one.far ? " far" : ""}`));
    const head = make("th", undefined, `${one.number ? "number" : ""}${one.far ? " far" : ""}`), button = make("button", one.head);
    head.dataset.head = one.head; // paper has no buttons
    head.scope = "col"; head.setAttribute("role", "columnheader"); button.type = "button";
    button.addEventListener("click", () => {
      sorted = { key: one.key, down: sorted.key === one.key ? !sorted.down : Boolean(one.isMostFirst) };
      tellSorted();
      sort();
    });
    one.th = head; one.button = button;
    head.append(button);
    byId("heads").append(head);
  });

  function tellSorted() {
    for (const one of TABLE) {
      const is = one.key === sorted.key;
      one.th.setAttribute("aria-sort", is ? (sorted.down ? "descending" : "ascending") : "none");
      one.button.textContent = one.head + (is ? (sorted.down ? " \u25bc" : " \u25b2") : "");
    }
  }

  // What is worth a look, as few words as there is room for.
  function checkText(row) {
    const parts = listOf("to_check", row).map((part) => {
      const [kind, count] = counted(part), short = Object.hasOwn(data.checks, kind) ? data.checks[kind] : kind;
      return count === null ? short : `${many(count)}\u00a0${short}`;
    });
    if (isOut[row]) parts.push("why not measured");
    if (textOf("note", row) !== "") parts.push("note");
    return parts.join(", ");
  }

  function cellText(one, row) {
    if (one.key === "stand") return data.stands[codes[row]].short;
    if (one.key === "to_check") return checkText(row);
    if (one.key === "outcome_route") return wayOf(row);
    return textOf(one.key, row);
  }

  function rowOf(at) {
    const row = order[at], out = make("tr", undefined, row === chosen ? "chosen" : "");
    out.id = `lot-${row}`;
    out.setAttribute("role", "row");
    out.setAttribute("aria-rowindex", String(at + 2));
    out.setAttribute("aria-selected", String(row === chosen));
    out.dataset.row = String(row);
    for (const one of TABLE) {
      const cell = make(one.key === "lot_id" ? "th" : "td", undefined, `${one.number ? "number" : ""}${one.far ? " far" : ""}`);
      cell.setAttribute("role", one.key === "lot_id" ? "rowheader" : "gridcell");
      if (one.key === "lot_id") cell.scope = "row";
      const text = cellText(one, row), words = make("span", undefined, "two");
      if (one.key === "stand") words.append(swatch(data.stands[codes[row]]));
      words.append(text);
      cell.append(words);
      if (text.length > 10) cell.title = text;
      out.append(cell);
    }
    return out;
  }

  function space(px) {
    const out = make("tr", undefined, "space"), cell = make("td");
    out.setAttribute("aria-hidden", "true");
    cell.colSpan = TABLE.length;
    cell.style.height = `${px}px`;
    out.append(cell);
    return out;
  }

  function moreRows(count) {
    const out = make("tr", undefined, "more"), cell = make("td", `and ${many(count)} more: see lots.csv`);
    cell.colSpan = TABLE.length;
    out.append(cell);
    return out;
  }

  function drawRows(isAnew) {
    const first = isPaper ? 0 : Math.max(Math.floor(scroll.scrollTop / ROW_PX) - BEYOND, 0);
    const last = Math.min(isPaper ? MOST_ON_PAPER : first + Math.ceil(scroll.clientHeight / ROW_PX) + 2 * BEYOND, order.length);
    if (!isAnew && first === drawn[0] && last === drawn[1]) return;
    drawn = [first, last];
    const out = isPaper ? [] : [space(first * ROW_PX)];
    for (let at = first; at < last; at += 1) out.push(rowOf(at));
    if (!isPaper) out.push(space((order.length - last) * ROW_PX));
    else if (last < order.length) out.push(moreRows(order.length - last));
    rows.replaceChildren(...out);
    table.setAttribute("aria-rowcount", String(order.length + 1));
    if (chosen !== NONE && byId(`lot-${chosen}`)) table.setAttribute("aria-activedescendant", `lot-${chosen}`);
    else table.removeAttribute("aria-activedescendant");
  }
  scroll.addEventListener("scroll", () => drawRows(false), { passive: true });
  new ResizeObserver(() => drawRows(true)).observe(scroll);

  function intoSight(at) {
    const head = byId("heads").offsetHeight, top = at * ROW_PX, height = scroll.clientHeight - head;
    if (top < scroll.scrollTop) scroll.scrollTop = top;
    else if (top + ROW_PX > scroll.scrollTop + height) scroll.scrollTop = top + ROW_PX - height;
  }

  rows.addEventListener("click", (event) => {
    const row = event.target.closest("tr[data-row]");
    if (row) choose(Number(row.dataset.row), { isFromMap: false });
  });
  table.addEventListener("keydown", (event) => {
    if (event.target !== table || event.ctrlKey || event.metaKey || event.altKey) return;
    const page = Math.max(Math.floor(scroll.clientHeight / ROW_PX) - 2, 1), at = order.indexOf(chosen);
    const go = { ArrowDown: at + 1, ArrowUp: at < 0 ? 0 : at - 1, PageDown: at + page, PageUp: at - page, Home: 0, End: order.length - 1 }[event.key];
    if (event.key === "Enter" && at >= 0) { event.preventDefault(); show(chosen); return; }
    if (go === undefined || order.length === 0) return;
    event.preventDefault();
    choose(order[Math.min(Math.max(go, 0), order.length - 1)], { isFromMap: false });
  });

  // --- One lot -----------------------------------------------------------------------------------------

  function choose(row, { isFromMap }) {
    chosen = row;
    const at = order.indexOf(row);
    if (at >= 0) intoSight(at);
    drawRows(true);
    tellLot();
    if (!isFromMap) showIfHidden(row);
    askMap();
    tellOutside();
  }

  function tellOutside() {
    if (chosen === NONE) return;
    const check = textOf("to_check", chosen) ? `; to check: ${checkText(chosen)}` : "";
    const lot = `Lot ${textOf("lot_id", chosen)}: ${data.stands[codes[chosen]].short}${check}`;
    byId("to-one").hidden = false;
    const hasShape = lots.shapes[chosen + 1] > lots.shapes[chosen];
    byId("map-told").textContent = lot + (hasShape ? "" : `; ${whyNotDrawn(chosen)}`) + (isIn[chosen] ? "" : "; not among the rows shown");
  }

  // Their shapes are left out, since they would lie far off the map.
  const MISPLACED = ["far-away", "off-map"];
  function whyNotDrawn(row) {
    const what = MISPLACED.includes(textOf("fault", row)) ? "it is not drawn, since its place is off the map" : "it has no shape to draw", why = textOf("reason", row);
    return why ? `${what} (${why})` : what;
  }

  const VERDICTS = [["findings_not_met", "not met"], ["findings_too_close", "too close to call"], ["findings_unknown", "waits for what is not known"]];
  const TOLD = new Set(["lot_number", "lot_id", "jurisdiction", "status", "stand", "stand_words", "reason", "fault", "note", "outcome_route", "outcome_standing", "outcome_words",
    "to_find_out", "to_check", "unmet_duties", ...VERDICTS.map((pair) => pair[0]), ...data.columns.filter((one) => one.key.startsWith("route_")).map((one) => one.key)]);
  const opened = new Map([["Figures", true], ["The lot's own fields", true]]);

  function ruleIn(place, id) {
    for (const rules of [data.rules[place], data.rules[""]]) if (rules && Object.hasOwn(rules, id)) return rules[id];
    return null;
  }

  function pairs(list, className) {
    const out = make("dl", undefined, className);
    for (const [name, value] of list) out.append(make("dt", name), make("dd", value));
    return out;
  }

  // A part of the panel that can be folded; it stays as it was left when another lot is chosen.
  function fold(name, head, ...content) {
    const out = make("details"), title = make("summary", head);
    out.open = isPaper || Boolean(opened.get(name));
    out.dataset.name = name;
    title.addEventListener("click", () => opened.set(name, !out.open));
    out.append(title, ...content);
    return out;
  }

  const ruleWords = (place, id) => { const rule = ruleIn(place, id); return rule ? rule[0] : id; };
  const lines = (key, row, words) => listOf(key, row).map(words || ((part) => part)).join("\n");

  // Each rule once, with all that was found of it; what is not met comes first.
  function rulesOf(row, place) {
    const found = new Map();
    for (const [key, verdict] of VERDICTS) {
      for (const part of isJudged[row] ? listOf(key, row) : []) {
        const [id, count] = counted(part);
        if (!found.has(id)) found.set(id, []);
        found.get(id).push([verdict, count]);
      }
    }
    const list = make("ul");
    for (const [id, verdicts] of found) {
      const rule = ruleIn(place, id), item = make("li", undefined, "rule");
      const some = verdicts.length > 1 ? " for some trees" : "";
      const told = verdicts.map(([verdict, count]) => (count === null ? `${verdict}${some}` : `${verdict} (${many(count)})`)).join(", ");
      item.append(make("b", `${told[0].toUpperCase()}${told.slice(1)}: `), rule ? rule[0] : id);
      if (rule) item.append(make("small", [rule[1], rule[2], id].filter(Boolean).join("; ")));
      list.append(item);
    }
    return [found.size, list];
  }

  function tellLot() {
    const row = chosen, body = [], kind = data.stands[codes[row]], place = textOf("jurisdiction", row);
    byId("one-title").textContent = `Lot ${textOf("lot_id", row)}`;
    const stand = make("p", undefined, "stand");
    stand.append(swatch(kind), kind.words);
    const way = wayOf(row), isWay = columns.has(`route_${textOf("outcome_route", row).replaceAll("-", "_")}`);
    const how = isWay ? standingWords(textOf("outcome_standing", row)) : "";
    const top = [
      // duties have a line of their own
      ["Why it stands so", columns.has("stand_words") ? textOf("stand_words", row).split("; not met as planned:")[0] : ""],
      ["Reason", textOf("reason", row)],
      ["Duties not met", columns.has("unmet_duties") ? lines("unmet_duties", row, (part) => {
        const [id, count] = counted(part);
        return ruleWords(place, id) + (count === null ? "" : ` (${many(count)})`);
      }) : ""],
      ["Way", way && how ? `${way}: ${how}` : way],
      ["To find out", lines("to_find_out", row)],
      ["To check on the place", lines("to_check", row)],
      ["What came out", isJudged[row] ? textOf("outcome_words", row) : ""],
      ["Note", textOf("note", row)],
      ["Kind of fault", textOf("fault", row)],
      ["Jurisdiction", place],
      ["Row in the lots' file", String(numberOf("lot_number", row) + 1)],
    ];
    body.push(stand, pairs(top.filter((pair) => pair[1] !== ""), "words"));
    if (way) body.push(make("p", data.open, "hint"));
    if (lots.shapes[row + 1] > lots.shapes[row]) {
      const button = make("button", "Show it on the map");
      button.type = "button";
      button.addEventListener("click", () => show(row));
      body.push(button);
    } else {
      const why = whyNotDrawn(row);
      body.push(make("p", `${why[0].toUpperCase()}${why.slice(1)}.`, "hint"));
    }
    const figures = data.columns.filter((one) => !one.is_own && !TOLD.has(one.key) && textOf(one.key, row) !== "");
    if (figures.length) body.push(fold("Figures", "Figures", pairs(figures.map((one) => [one.head, textOf(one.key, row)]))));
    const own = data.columns.filter((one) => one.is_own && textOf(one.key, row) !== "");
    if (own.length) body.push(fold("The lot's own fields", "The lot's own fields", pairs(own.map((one) => [one.key, textOf(one.key, row)]), "words")));
    const ways = data.routes.filter((route) => isJudged[row] && textOf(route.column, row) !== "");
    if (ways.length) body.push(fold("Ways", "The ways to an authorisation", pairs(ways.map((route) => [`${route.name} (${route.section})`, wayWords(route, textOf(route.column, row))]), "words")));
    const [nRules, rules] = rulesOf(row, place);
    if (nRules) body.push(fold("Rules", `Rules not met or not told (${nRules})`, rules));
    byId("one-body").replaceChildren(...body);
  }

  // --- The map: places in steps from the west and the south ---------------------------------------------

  const starts = (text) => {
    const counts = unpacked(text, 1), out = new Int32Array(counts.length + 1);
    for (let k = 0; k < counts.length; k += 1) out[k + 1] = out[k] + counts[k];
    return out;
  };
  const summed = (text) => {
    const ways = unpacked(text, 1), out = new Int32Array(ways.length);
    let at = 0;
    for (let k = 0; k < ways.length; k += 1) { at += ways[k]; out[k] = at; }
    return out;
  };
  const outlines = (one) => ({ shapes: starts(one.shapes), rings: starts(one.rings), x: summed(one.x), y: summed(one.y) });
  const lots = outlines(data.lots), shore = outlines(data.shore), towns = outlines(data.towns);

  // West, south, east, north of each lot, and of all.
  const boxes = new Float64Array(4 * n), all = [Infinity, Infinity, -Infinity, -Infinity];
  for (let row = 0; row < n; row += 1) {
    let [west, south, east, north] = [Infinity, Infinity, -Infinity, -Infinity];
    for (let k = lots.rings[lots.shapes[row]]; k < lots.rings[lots.shapes[row + 1]]; k += 1) {
      const x = lots.x[k], y = lots.y[k];
      if (x < west) west = x;
      if (x > east) east = x;
      if (y < south) south = y;
      if (y > north) north = y;
    }
    boxes.set([west, south, east, north], 4 * row);
    if (west <= east) {
      all[0] = Math.min(all[0], west); all[1] = Math.min(all[1], south);
      all[2] = Math.max(all[2], east); all[3] = Math.max(all[3], north);
    }
  }
  // Rings that run one way round, so that lots which overlap are filled where they do; a lot of
  // several rings is filled by itself, since a hole is told by its place alone.
  const isTurned = new Uint8Array(n), isManifold = new Uint8Array(n);
  for (let row = 0; row < n; row += 1) {
    const ring = lots.shapes[row];
    isManifold[row] = lots.shapes[row + 1] - ring > 1 ? 1 : 0;
    let twice = 0;
    for (let k = lots.rings[ring], before = lots.rings[ring + 1] - 1; k < lots.rings[ring + 1]; before = k, k += 1) {
      twice += (lots.x[before] - lots.x[k]) * (lots.y[before] + lots.y[k]);
    }
    isTurned[row] = twice > 0 ? 1 : 0;
  }
  const canvas = byId("map"), pen = canvas.getContext("2d");
  let middle = [0, 0], perStep = 1, ratio = 1, width = 1, height = 1, isKeyed = false, isAsked = false;
  let patterns = [];
  // Painted in this order: what says most comes last.
  const PAINTED = data.stands.map((_, k) => k).reverse();

  function whole() {
    if (!(all[0] <= all[2])) return;
    middle = [(all[0] + all[2]) / 2, (all[1] + all[3]) / 2];
    perStep = 0.94 * Math.min(width / Math.max(all[2] - all[0], 1), height / Math.max(all[3] - all[1], 1));
  }

  const toX = (x) => (x - middle[0]) * perStep + width / 2, toY = (y) => (middle[1] - y) * perStep + height / 2;
  const fromX = (px) => (px - width / 2) / perStep + middle[0], fromY = (px) => middle[1] - (px - height / 2) / perStep;

  function trace(path, one, shape, isArea, isBack) {
    for (let ring = one.shapes[shape]; ring < one.shapes[shape + 1]; ring += 1) {
      const first = one.rings[ring], end = one.rings[ring + 1];
      if (isBack) {
        path.moveTo(toX(one.x[end - 1]), toY(one.y[end - 1]));
        for (let k = end - 2; k >= first; k -= 1) path.lineTo(toX(one.x[k]), toY(one.y[k]));
        path.closePath();
        continue;
      }
      path.moveTo(toX(one.x[first]), toY(one.y[first]));
      for (let k = first + 1; k < end; k += 1) path.lineTo(toX(one.x[k]), toY(one.y[k]));
      if (isArea) path.closePath();
    }
  }

  function draw() {
    isAsked = false;
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    const west = fromX(0), east = fromX(width), south = fromY(height), north = fromY(0), least = 1.3 / perStep;
    const fills = data.stands.map(() => new Path2D()), alone = data.stands.map(() => []), pale = new Path2D();
    let nSeen = 0, area = 0;
    for (let row = 0; row < n; row += 1) {
      const box = 4 * row;
      if (!(boxes[box] <= east && boxes[box + 2] >= west && boxes[box + 1] <= north && boxes[box + 3] >= south)) continue;
      let path = isIn[row] ? fills[codes[row]] : pale;
      const wide = boxes[box + 2] - boxes[box], high = boxes[box + 3] - boxes[box + 1];
      if (wide < least && high < least) path.rect(toX(boxes[box]), toY(boxes[box + 3]), 1.3, 1.3);
      else {
        if (isIn[row] && isManifold[row]) { path = new Path2D(); alone[codes[row]].push(path); }
        trace(path, lots, row, true, isTurned[row] === 1 && !isManifold[row]);
      }
      nSeen += 1; area += wide * high;
    }
    const side = nSeen ? Math.sqrt(area / nSeen) * perStep : 0;
    pen.lineWidth = 0.6; pen.strokeStyle = "#b5b5b5"; pen.stroke(pale);
    for (const k of PAINTED) {
      const fill = () => { pen.fill(fills[k], "nonzero"); for (const path of alone[k]) pen.fill(path, "evenodd"); };
      pen.fillStyle = data.stands[k].colour; fill();
      if (patterns[k] && side > 7) { pen.fillStyle = patterns[k]; fill(); }
      if (side > 4 || data.stands[k].colour.toLowerCase() === "#ffffff") {
        pen.lineWidth = side > 12 ? 1 : 0.5; pen.strokeStyle = "#222";
        for (const path of [fills[k], ...alone[k]]) pen.stroke(path);
      }
    }
    drawTowns();
    drawShore();
    drawChosen();
    drawScale();
    if (isKeyed) { const x = width / 2, y = height / 2; line([[x - 9, y, x + 9, y], [x, y - 9, x, y + 9]], 3.5, "#fff"); line([[x - 9, y, x + 9, y], [x, y - 9, x, y + 9]], 1.5, "#000"); }
  }

  function line(ways, wide, colour) {
    pen.beginPath(); pen.lineWidth = wide; pen.strokeStyle = colour;
    for (const [x0, y0, x1, y1] of ways) { pen.moveTo(x0, y0); pen.lineTo(x1, y1); }
    pen.stroke();
  }

  function drawTowns() {
    if (towns.shapes.length < 2) return;
    const path = new Path2D();
    for (let k = 0; k + 1 < towns.shapes.length; k += 1) trace(path, towns, k, true);
    pen.setLineDash([8, 4]); pen.lineWidth = 1.6; pen.strokeStyle = "#A23B7E"; pen.stroke(path); pen.setLineDash([]);
    pen.font = "bold 12px sans-serif"; pen.textAlign = "center"; pen.textBaseline = "bottom";
    data.town_names.forEach((name, k) => {
      let [west, north, east] = [Infinity, -Infinity, -Infinity];
      for (let at = towns.rings[towns.shapes[k]]; at < towns.rings[towns.shapes[k + 1]]; at += 1) {
        west = Math.min(west, towns.x[at]); east = Math.max(east, towns.x[at]); north = Math.max(north, towns.y[at]);
      }
      const x0 = Math.max(toX(west), 0), x1 = Math.min(toX(east), width);
      if (!(x1 - x0 > 60)) return;
      const text = name.length > 24 ? `${name.slice(0, 23)}\u2026` : name, y = Math.max(toY(north) - 3, 16);
      if (y > height) return;
      pen.lineWidth = 3; pen.strokeStyle = "#fff"; pen.strokeText(text, (x0 + x1) / 2, y, x1 - x0);
      pen.fillStyle = "#7d2a60"; pen.fillText(text, (x0 + x1) / 2, y, x1 - x0);
    });
  }

  function drawShore() {
    const path = new Path2D();
    for (let k = 0; k + 1 < shore.shapes.length; k += 1) trace(path, shore, k, false);
    pen.setLineDash([10, 3, 2, 3]); pen.lineWidth = 1.8; pen.strokeStyle = "#0072B2"; pen.stroke(path); pen.setLineDash([]);
  }

  function drawChosen() {
    if (chosen === NONE || lots.shapes[chosen] === lots.shapes[chosen + 1]) return;
    const path = new Path2D(), box = 4 * chosen;
    trace(path, lots, chosen, true);
    const x = toX((boxes[box] + boxes[box + 2]) / 2), y = toY((boxes[box + 1] + boxes[box + 3]) / 2);
    const size = Math.max(boxes[box + 2] - boxes[box], boxes[box + 3] - boxes[box + 1]) * perStep;
    if (size < 14) { path.moveTo(x + 11, y); path.arc(x, y, 11, 0, 7); }
    pen.lineWidth = 6; pen.strokeStyle = "#ffd400"; pen.stroke(path);
    pen.lineWidth = 2.5; pen.strokeStyle = "#000"; pen.stroke(path);
  }

  // A length that is 1, 2 or 5 times a power of ten, in feet on the grid.
  function drawScale() {
    const most = 110 / (perStep / (data.step * data.feet));
    const power = 10 ** Math.floor(Math.log10(most)), length = [5, 2, 1].map((k) => k * power).find((one) => one <= most) || power;
    const px = (length / (data.step * data.feet)) * perStep, y = height - 10;
    const bar = [[10, y, 10 + px, y], [10, y - 5, 10, y + 1], [10 + px, y - 5, 10 + px, y + 1]], text = `${many(length)} ft, grid north up`;
    line(bar, 5, "#fff");
    line(bar, 2, "#000");
    pen.font = "12px sans-serif"; pen.textAlign = "left"; pen.textBaseline = "bottom"; pen.lineJoin = "round";
    pen.lineWidth = 4; pen.strokeStyle = "#fff"; pen.strokeText(text, 10, y - 6);
    pen.fillStyle = "#000"; pen.fillText(text, 10, y - 6);
  }

  function askMap() { if (!isAsked) { isAsked = true; requestAnimationFrame(draw); } }

  function zoom(by, px, py) {
    const x = fromX(px), y = fromY(py);
    const low = 0.2 * Math.min(width / Math.max(all[2] - all[0], 1), height / Math.max(all[3] - all[1], 1));
    perStep = Math.min(Math.max(perStep * by, low), 60 / Math.max(data.feet * data.step, 1e-9));
    middle = [x - (px - width / 2) / perStep, y + (py - height / 2) / perStep];
    askMap();
  }

  // A lot put in the middle, large enough to be seen with its neighbours.
  function show(row) {
    if (lots.shapes[row] === lots.shapes[row + 1]) return;
    const box = boxes.subarray(4 * row, 4 * row + 4), side = Math.max(box[2] - box[0], box[3] - box[1], 1);
    middle = [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2];
    perStep = Math.max(perStep, Math.min(width, height) / (6 * side));
    askMap();
  }

  function showIfHidden(row) {
    if (lots.shapes[row] === lots.shapes[row + 1]) return;
    const box = boxes.subarray(4 * row, 4 * row + 4), x = toX((box[0] + box[2]) / 2), y = toY((box[1] + box[3]) / 2);
    if (x < 0 || y < 0 || x > width || y > height) middle = [(box[0] + box[2]) / 2, (box[1] + box[3]) / 2];
  }

  // The lot under a point: the last painted that holds it, else the nearest within a finger's breadth.
  function lotAt(px, py) {
    const x = fromX(px), y = fromY(py), reach = 7 / perStep;
    let found = NONE, near = NONE, nearest = reach, best = -1;
    for (let row = 0; row < n; row += 1) {
      const box = 4 * row;
      const dx = Math.max(boxes[box] - x, 0, x - boxes[box + 2]), dy = Math.max(boxes[box + 1] - y, 0, y - boxes[box + 3]);
      if (!(dx <= reach && dy <= reach)) continue;
      const rank = 2 * isIn[row] * data.stands.length + PAINTED.indexOf(codes[row]);
      if (dx === 0 && dy === 0 && holds(row, x, y)) { if (rank >= best) { best = rank; found = row; } continue; }
      if (!isIn[row] || Math.hypot(dx, dy) >= nearest) continue;
      const away = awayFrom(row, x, y);
      if (away < nearest) { nearest = away; near = row; }
    }
    return found === NONE ? near : found;
  }

  // From a point to the nearest edge of a lot, in steps.
  function awayFrom(row, x, y) {
    let least = Infinity;
    for (let ring = lots.shapes[row]; ring < lots.shapes[row + 1]; ring += 1) {
      const first = lots.rings[ring], end = lots.rings[ring + 1];
      for (let k = first, before = end - 1; k < end; before = k, k += 1) {
        const ex = lots.x[k] - lots.x[before], ey = lots.y[k] - lots.y[before], long = ex * ex + ey * ey;
        const along = long ? ((x - lots.x[before]) * ex + (y - lots.y[before]) * ey) / long : 0;
        const share = Math.min(Math.max(along, 0), 1);
        least = Math.min(least, Math.hypot(x - lots.x[before] - share * ex, y - lots.y[before] - share * ey));
      }
    }
    return least;
  }

  function holds(row, x, y) {
    let isInside = false;
    for (let ring = lots.shapes[row]; ring < lots.shapes[row + 1]; ring += 1) {
      const first = lots.rings[ring], end = lots.rings[ring + 1];
      for (let k = first, before = end - 1; k < end; before = k, k += 1) {
        const [x0, y0, x1, y1] = [lots.x[k], lots.y[k], lots.x[before], lots.y[before]];
        if ((y0 > y) !== (y1 > y) && x < ((x1 - x0) * (y - y0)) / (y1 - y0) + x0) isInside = !isInside;
      }
    }
    return isInside;
  }

  function pick(px, py) {
    const row = lotAt(px, py);
    if (row === NONE) { byId("map-told").textContent = "No lot there."; return; }
    choose(row, { isFromMap: true });
  }

  const fingers = new Map();
  let hasMoved = false, apart = 0;
  const placeOf = (event) => { const box = canvas.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
  const spread = () => { const [a, b] = [...fingers.values()]; return Math.hypot(a[0] - b[0], a[1] - b[1]); };
  canvas.addEventListener("pointerdown", (event) => {
    canvas.setPointerCapture(event.pointerId);
    if (fingers.size === 0) hasMoved = false;
    fingers.set(event.pointerId, placeOf(event));
    if (fingers.size === 2) { apart = spread(); hasMoved = true; }
    isKeyed = false;
  });
  canvas.addEventListener("pointermove", (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = placeOf(event);
    if (!hasMoved && Math.hypot(now[0] - before[0], now[1] - before[1]) < 5) return;
    hasMoved = true; canvas.classList.add("moved");
    const share = 1 / fingers.size;
    middle = [middle[0] - (share * (now[0] - before[0])) / perStep, middle[1] + (share * (now[1] - before[1])) / perStep];
    fingers.set(event.pointerId, now);
    if (fingers.size === 2) {
      const wide = spread(), [a, b] = [...fingers.values()];
      if (apart > 0 && wide > 0) zoom(wide / apart, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
      apart = wide;
    }
    askMap();
  });
  const lift = (event, isPick) => {
    if (!fingers.delete(event.pointerId)) return;
    if (fingers.size === 0) { canvas.classList.remove("moved"); if (isPick && !hasMoved) pick(...placeOf(event)); }
  };
  canvas.addEventListener("pointerup", (event) => lift(event, true));
  canvas.addEventListener("pointercancel", (event) => lift(event, false));
  canvas.addEventListener("wheel", (event) => {
    event.preventDefault();
    zoom(Math.exp(-event.deltaY * (event.deltaMode === 1 ? 0.05 : 0.0016)), ...placeOf(event));
  }, { passive: false });
  canvas.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const far = 60 / perStep, go = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, far], ArrowDown: [0, -far] }[event.key];
    if (go) middle = [middle[0] + go[0], middle[1] + go[1]];
    else if (event.key === "+" || event.key === "=") zoom(1.5, width / 2, height / 2);
    else if (event.key === "-") zoom(1 / 1.5, width / 2, height / 2);
    else if (event.key === "0") whole();
    else if (event.key === "Enter") pick(width / 2, height / 2);
    else return;
    event.preventDefault();
    isKeyed = true;
    askMap();
  });
  canvas.addEventListener("focus", () => { isKeyed = canvas.matches(":focus-visible"); askMap(); });
  canvas.addEventListener("blur", () => { isKeyed = false; askMap(); });
  byId("zoom-in").addEventListener("click", () => zoom(1.6, width / 2, height / 2));
  byId("zoom-out").addEventListener("click", () => zoom(1 / 1.6, width / 2, height / 2));
  byId("zoom-all").addEventListener("click", () => { whole(); askMap(); });

  function resized() {
    const box = canvas.getBoundingClientRect(), isFirst = width === 1;
    if (!(box.width > 0 && box.height > 0)) return;
    ratio = Math.max(window.devicePixelRatio || 1, isPaper ? 3 : 1); width = box.width; height = box.height;
    canvas.width = Math.round(width * ratio); canvas.height = Math.round(height * ratio);
    patterns = data.stands.map((kind) => (kind.hatch ? pen.createPattern(hatch(kind, ratio), "repeat") : null));
    // A pattern is in the canvas's own points.
    for (const one of patterns) if (one) one.setTransform(new DOMMatrix().scale(1 / ratio));
    if (isFirst) whole();
    draw();
  }

  // --- Paper: all rows at once or the first, the legend, and what was asked for -------------------------

  function asked() {
    const out = [];
    for (const one of byId("form").elements) {
      if (one.type === "checkbox" ? one.checked === one.defaultChecked || one.dataset.stand : one.value === "" || one.tagName === "BUTTON" || one.tagName === "FIELDSET") continue;
      const name = one.labels[0].textContent;
      out.push(one.type === "checkbox" ? name : `${name}: ${one.tagName === "SELECT" ? one.selectedOptions[0].textContent : one.value}`);
    }
    return out.length ? `Only lots with: ${out.join("; ")}.` : "";
  }

  function toPaper(is) {
    if (is === isPaper) return;
    isPaper = is;
    const counts = new Int32Array(data.stands.length);
    for (const row of order) counts[codes[row]] += 1;
    const legend = [];
    data.stands.forEach((kind, k) => {
      if (!counts[k]) return;
      const item = make("li");
      item.append(swatch(kind), `${kind.words} (${many(counts[k])})`);
      legend.push(item);
    });
    byId("legend").replaceChildren(...legend);
    byId("asked").textContent = asked();
    for (const one of document.querySelectorAll("#one-body details")) one.open = is || Boolean(opened.get(one.dataset.name));
    resized();
    drawRows(true);
  }
  window.addEventListener("beforeprint", () => toPaper(true));
  window.addEventListener("afterprint", () => toPaper(false));
  const paper = window.matchMedia("print");
  paper.addEventListener("change", () => toPaper(paper.matches));  // may come late, when it is over
  new ResizeObserver(resized).observe(canvas);

  // --- Saving --------------------------------------------------------------------------------------------

  function cell(text) {
    const safe = FORMULA.test(text) ? `'${text}` : text;
    return /[",\r\n]/.test(safe) ? `"${safe.replace(/"/g, '""')}"` : safe;
  }

  function plain(one, row) {
    if (one.is_digits) return textOf(one.key, row);
    if (!isNumber(one)) return cell(textOf(one.key, row));
    const value = numberOf(one.key, row);
    if (Number.isNaN(value)) return "";
    return one.kind === "number" ? value.toFixed(one.decimals) : String(value);
  }

  byId("download").addEventListener("click", () => {
    const parts = ["\ufeff", `${data.columns.map((one) => cell(one.key)).join(",")}\r\n`];
    for (const row of order) parts.push(`${data.columns.map((one) => plain(one, row)).join(",")}\r\n`);
    const link = make("a");
    link.href = URL.createObjectURL(new Blob(parts, { type: "text/csv" }));
    link.download = "screening_lots.csv";
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
  });

  // --- Off we go -------------------------------------------------------------------------------------------

  let waiting = 0;
  const soon = () => { clearTimeout(waiting); waiting = setTimeout(filter, 150); };
  byId("form").addEventListener("input", soon);
  byId("form").addEventListener("submit", (event) => { event.preventDefault(); clearTimeout(waiting); filter(); });
  byId("form").addEventListener("reset", () => setTimeout(() => { clearTimeout(waiting); filter(); }, 0));
  if (window.matchMedia("(max-width: 900px)").matches) byId("filters").open = false;
  tellSorted();
  filter();
})();
