"use strict";
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const KEY = `geotrim-crew:${data.plan_sha256}:${data.year}`;
  const COLUMNS = ["plan_sha256", "lot_id", "crown_id", "year", "is_done", "height_ft", "height_error_ft",
    "cleared_from_ft", "cleared_to_ft", "reader", "date", "note"];
  const TALLEST_FT = 120;
  const RUN_BY = "=+\\-@\\t\\r"; // what a spreadsheet takes for the start of a formula
  const TO_GUARD = new RegExp(`^'*[${RUN_BY}]`), GUARDED = new RegExp(`^'+[${RUN_BY}]`);
  // Words for done and not done that whoever checks the cut understands too.
  const YES = ["true", "yes", "y", "1", "1.0", "x", "done", "cut", "\u2713"];
  const NO = ["false", "no", "n", "0", "0.0", "not done", "not cut"];
  const byId = (id) => document.getElementById(id);

  // --- Feet and inches ---------------------------------------------------------------------

  const FOOT = "(?:'|ft\\.?|feet|foot)", INCH = "(?:\"|in\\.?|inch|inches)";
  const NUMBER = "\\d+(?:\\.\\d+)?|\\.\\d+", PART = "(\\d+)\\s*/\\s*(\\d+)";
  const fraction = (over, under) => (Number(over) < Number(under) ? Number(over) / Number(under) : NaN);
  const SHAPES = [
    [new RegExp(`^(${NUMBER})\\s*${FOOT}?$`), (m) => [Number(m[1]), 0]],
    [new RegExp(`^(\\d+)\\s+${PART}\\s*${FOOT}?$`), (m) => [Number(m[1]) + fraction(m[2], m[3]), 0]],
    [new RegExp(`^(\\d+)\\s+${PART}\\s*${INCH}$`), (m) => [0, Number(m[1]) + fraction(m[2], m[3]), true]],
    [new RegExp(`^(\\d+)\\s*-\\s*(${NUMBER})\\s*${INCH}?$`), (m) => [Number(m[1]), Number(m[2])]],
    [new RegExp(`^(\\d+)\\s*-\\s*(\\d+)\\s+${PART}\\s*${INCH}?$`), (m) => [Number(m[1]), Number(m[2]) + fraction(m[3], m[4])]],
    [new RegExp(`^(${NUMBER})\\s*${INCH}$`), (m) => [0, Number(m[1]), true]],
    [new RegExp(`^(\\d+)\\s*${FOOT}\\s*(${NUMBER})\\s*${INCH}?$`), (m) => [Number(m[1]), Number(m[2])]],
    [new RegExp(`^(\\d+)\\s*${FOOT}\\s*(\\d+)\\s+${PART}\\s*${INCH}?$`),
      (m) => [Number(m[1]), Number(m[2]) + fraction(m[3], m[4])]],
    [new RegExp(`^(\\d+)\\s*${FOOT}\\s*${PART}\\s*${INCH}$`), (m) => [Number(m[1]), fraction(m[2], m[3])]],
  ];

  // A length as it is written by hand -> {ft, words}; {why} where it cannot be understood; null for nothing.
  function parseFeet(text) {
    const plain = text.trim().toLowerCase()
      .replace(/[\u2018\u2019\u2032\u02b9\u00b4`]/g, "'").replace(/[\u201c\u201d\u2033]/g, '"').replace(/''/g, '"')
      .replace(/\u00bd/g, " 1/2").replace(/\u00bc/g, " 1/4").replace(/\u00be/g, " 3/4")
      .replace(/[\u2010-\u2014\u2212]/g, "-").replace(/(\d),(?=\d{1,2}(?!\d))/g, "$1.").replace(/\s+/g, " ").trim();
    if (plain === "") return null;
    for (const [shape, read] of SHAPES) {
      const found = plain.match(shape);
      if (!found) continue;
      const [feet, inches, isInchesAlone] = read(found);
      if (!isFinite(feet) || !isFinite(inches)) break;
      if (!isInchesAlone && inches >= 12) return { why: "12 inches or more are another foot" };
      const ft = feet + inches / 12;
      if (ft > TALLEST_FT) return { why: `over ${TALLEST_FT} ft` };
      return { ft, words: `${feetWords(ft)} = ${ft.toFixed(2)} ft` };
    }
    return { why: "not understood; write 12.5 or 12 ft 6 in" };
  }

  // One of an entry's lengths. A tree whose top is at 0 is gone, and that is no reading.
  function lengthOf(one, name) {
    const read = parseFeet(one[name]);
    return name === "height" && read && read.ft === 0
      ? { why: "0 is no height: is the tree gone? Then leave this empty and write that into the note" } : read;
  }

  // Feet and inches to a quarter of an inch.
  function feetWords(ft) {
    const quarters = Math.round(ft * 48), feet = Math.floor(quarters / 48), rest = quarters - 48 * feet;
    const inches = Math.floor(rest / 4), part = ["", " 1/4", " 1/2", " 3/4"][rest % 4];
    return `${feet} ft ${inches}${part} in`;
  }

  const exact = (ft) => String(Number(ft.toFixed(4)));

  // --- What was entered, and keeping it -----------------------------------------------------

  const FIELDS = ["height", "from", "to", "reader", "date", "note", "ordered"];
  const LENGTHS = ["height", "from", "to"], TOLD = [...LENGTHS, "date"], ORDERED = "ordered by the owner";
  const trees = data.lots.flatMap((lot) => lot.work);
  const keyOf = (lot, crown) => JSON.stringify([lot, crown]);
  const known = new Map(trees.map((tree) => [keyOf(tree.lot_id, tree.crown_id), tree]));
  let state;

  function empty() { return { trees: {}, reader: "", error: data.stick_error_ft === null ? "" : String(data.stick_error_ft) }; }

  const isThing = (one) => typeof one === "object" && one !== null && !Array.isArray(one);
  const blank = () => ({ done: "", height: "", from: "", to: "", reader: "", date: "", note: "", ordered: "" });

  // What the store has, null for nothing; {why} where it is no such thing.
  function stored() {
    let text = null;
    try { text = localStorage.getItem(KEY); } catch (error) { return null; }
    if (text === null) return null;
    try {
      const found = JSON.parse(text);
      return isThing(found) && isThing(found.trees) ? { text, found } : { text, why: "all of it" };
    } catch (error) { return { text, why: "all of it" }; }
  }

  // What cannot be read is set aside as it was, and told.
  function load() {
    const out = empty(), kept = stored(), odd = [];
    if (!kept) return out;
    if (kept.why) odd.push(kept.why);
    else {
      for (const name of ["reader", "error"]) {
        if (typeof kept.found[name] === "string") out[name] = kept.found[name];
        else if (kept.found[name] !== undefined) odd.push(name);
      }
      for (const [key, one] of Object.entries(kept.found.trees)) {
        const tree = known.get(key);
        if (!tree) { out.trees[key] = one; continue; } // of another page of this plan
        if (!isThing(one)) { odd.push(tree.crown_id); continue; }
        const { entry, isOdd } = mended(one);
        if (isTouched(entry)) out.trees[key] = entry;
        if (isOdd) odd.push(tree.crown_id);
      }
    }
    if (odd.length) {
      try { localStorage.setItem(`${KEY}:unread`, kept.text); } catch (other) { /* told all the same */ }
      byId("unread").hidden = false;
      byId("unread").textContent = "What this browser had kept cannot all be read, and was set aside: "
        + `${odd.join(", ")}. Check what stands there now.`;
    }
    return out;
  }

  // An entry of the store with every field as text.
  function mended(one) {
    const entry = blank();
    let isOdd = false;
    for (const name of FIELDS) {
      if (typeof one[name] === "string") entry[name] = one[name];
      else if (typeof one[name] === "number") entry[name] = String(one[name]);
      else if (one[name] !== undefined && one[name] !== null) isOdd = true;
    }
    if (one.done === true || one.done === "yes") entry.done = "yes";
    else if (one.done === "no") entry.done = "no";
    else if (![false, "", undefined, null].includes(one.done)) isOdd = true;
    if (entry.date && !isDay(entry.date)) {
      entry.note = [entry.note, `as written: day: ${entry.date}`].filter(Boolean).join("; ");
      entry.date = "";
      isOdd = true;
    }
    return { entry, isOdd };
  }

  // Whether a text is a day as the file has it, and there is such a day.
  function isDay(text) {
    const found = text.match(/^(\d{4})-(\d{2})-(\d{2})$/);
    if (!found) return false;
    const day = new Date(`${text}T00:00:00Z`);
    return !isNaN(day) && day.toISOString().slice(0, 10) === text;
  }

  let isKept = true;
  function save() {
    const kept = stored();
    if (kept && !kept.why) { // what other pages of this plan entered stays theirs
      for (const key of Object.keys(state.trees)) if (!known.has(key)) delete state.trees[key];
      for (const [key, one] of Object.entries(kept.found.trees)) if (!known.has(key)) state.trees[key] = one;
    }
    const text = JSON.stringify(state);
    try {
      localStorage.setItem(KEY, text);
      isKept = localStorage.getItem(KEY) === text;
    } catch (error) { isKept = false; }
    const told = byId("not-kept");
    told.hidden = isKept;
    told.textContent = isKept ? "" : "This browser does not keep what you enter: it is lost when the page is closed. "
      + "Save the readings as a file before you leave, or open the page in another browser.";
  }
  addEventListener("beforeunload", (event) => { if (!isKept && Object.keys(state.trees).length) event.preventDefault(); });
  addEventListener("storage", (event) => { if (event.key === KEY) { state = load(); fill(); } });

  function entryOf(tree) {
    const key = keyOf(tree.lot_id, tree.crown_id);
    if (!state.trees[key]) state.trees[key] = blank();
    return state.trees[key];
  }
  const seen = (tree) => state.trees[keyOf(tree.lot_id, tree.crown_id)] || blank();
  const isDone = (tree) => seen(tree).done === "yes";
  const isTouched = (one) => one.done !== "" || FIELDS.some((name) => one[name].trim() !== "");
  // Whether anything is said of the tree itself, not only who and when.
  const isSaid = (one) => one.done !== "" || [...LENGTHS, "note", "ordered"].some((name) => one[name].trim() !== "");
  const isRead = (tree) => { const read = lengthOf(seen(tree), "height"); return !!read && read.ft !== undefined; };
  // What is no mangrove is left unless it is ordered.
  const isLeftToDo = (tree) => (tree.is_other ? seen(tree).ordered !== "" && !isDone(tree) : !isDone(tree) || !isRead(tree));

  function today() {
    const now = new Date(), two = (n) => String(n).padStart(2, "0");
    return `${now.getFullYear()}-${two(now.getMonth() + 1)}-${two(now.getDate())}`;
  }

  // --- The page --------------------------------------------------------------------------------

  function make(tag, words, attributes) {
    const one = document.createElement(tag);
    if (words) one.textContent = words;
    for (const [name, value] of Object.entries(attributes || {})) one.setAttribute(name, value);
    return one;
  }

  function list(items) {
    const ul = make("ul");
    for (const words of items) ul.append(make("li", words));
    return ul;
  }

  function fold(title, items, isOpen) {
    const box = make("details", "", isOpen ? { open: "" } : {});
    box.append(make("summary", title), list(items));
    return box;
  }

  const cards = new Map();

  function field(card, tree, index, name, label, attributes) {
    const id = `t${index}-${name}`, box = make("div", "", { class: "field" });
    const input = make("input", "", Object.assign({ id, autocomplete: "off" }, attributes));
    box.append(make("label", label, { for: id }), input);
    card.inputs[name] = input;
    if (TOLD.includes(name)) {
      const told = make("p", "", { class: "told", id: `${id}-told`, role: "status" });
      input.setAttribute("aria-describedby", told.id);
      card.told[name] = told;
      box.append(told);
    }
    input.addEventListener("input", () => {
      const one = entryOf(tree);
      one[name] = input.value;
      if (LENGTHS.includes(name) && input.value.trim()) sign(tree, one);
      else if (!["reader", "date"].includes(name)) unsign(tree, one);
      save();
      show(tree);
    });
    return box;
  }

  // Who and when, where nothing stands there yet.
  function sign(tree, one) {
    one.reader = one.reader || state.reader;
    one.date = one.date || today();
    const card = cards.get(tree);
    card.inputs.reader.value = one.reader;
    card.inputs.date.value = one.date;
  }

  // Who and when go again with the last thing that was said, unless somebody wrote others there.
  function unsign(tree, one) {
    if (isSaid(one) || one.reader !== state.reader || one.date !== today()) return;
    one.reader = one.date = "";
    const card = cards.get(tree);
    card.inputs.reader.value = card.inputs.date.value = "";
  }

  function cardOf(tree, index) {
    const item = make("li", "", { class: "tree", tabindex: "-1" }), card = { item, inputs: {}, told: {} };
    cards.set(tree, card);
    const head = make("div", "", { class: "head" }), title = make("h3", "", { id: `t${index}-title` });
    title.append(make("span", tree.crown_id, { class: "number" }));
    card.state = make("span", "", { class: "state" });
    head.append(title, make("span", `no. ${tree.number} of ${tree.n_work}`), card.state);
    item.setAttribute("aria-labelledby", `t${index}-title`);
    item.append(head, make("p", tree.species), make("p", `${tree.mark} ${tree.tail}`, { class: "what" }));
    for (const part of tree.details) item.append(make("p", part.text, part.bold ? { class: "strong" } : {}));
    const choices = make("div", "", { class: "choices" });
    card.ticks = {};
    card.rows = [];
    if (tree.is_other) choices.append(orderOf(card, tree, index));
    for (const [word, name, label] of [["yes", "done", "Done"], ["no", "undone", "Not done"]]) {
      const choice = make("label", "", { class: "choice" });
      const tick = make("input", "", { type: "checkbox", id: `t${index}-${name}`, "aria-label": `${tree.crown_id} ${label.toLowerCase()}` });
      card.ticks[word] = tick;
      choice.append(tick, make("span", label));
      card.rows.push(choice);
      choices.append(choice);
      tick.addEventListener("change", () => {
        const one = entryOf(tree);
        one.done = tick.checked ? word : "";
        if (one.done) sign(tree, one);
        else unsign(tree, one);
        save();
        show(tree);
      });
    }
    const fields = make("div", "", { class: "fields" });
    const length = { inputmode: "text", maxlength: "24", placeholder: "12.5 or 12 ft 6 in" };
    if (tree.needs_reading) fields.append(field(card, tree, index, "height", "Top, read after the cut", length));
    if (tree.is_band) {
      fields.append(field(card, tree, index, "from", "Cleared from", length), field(card, tree, index, "to", "Cleared to", length));
    }
    fields.append(field(card, tree, index, "reader", "Who read it", { maxlength: "80" }),
      field(card, tree, index, "date", "Day", { type: "date" }), field(card, tree, index, "note", "Note", { maxlength: "400" }));
    item.append(choices, fields);
    item.addEventListener("focusout", (event) => { if (!item.contains(event.relatedTarget)) filter(); });
    return item;
  }

  // The tick without which a plant that is no mangrove is left.
  function orderOf(card, tree, index) {
    const choice = make("label", "", { class: "choice" });
    card.order = make("input", "", { type: "checkbox", id: `t${index}-ordered`, "aria-label": `${tree.crown_id} ordered` });
    choice.append(card.order, make("span", "Ordered by the owner, and the local code allows it"));
    card.order.addEventListener("change", () => {
      const one = entryOf(tree);
      one.ordered = card.order.checked ? "yes" : "";
      if (one.ordered) sign(tree, one);
      else unsign(tree, one);
      save();
      show(tree);
    });
    return choice;
  }

  // What a length was understood as, and how it stands to the mark.
  function tell(told, read, mark, isUnderBad, isOverBad) {
    told.className = "told";
    if (!read) { told.textContent = ""; return; }
    if (read.why) { told.textContent = read.why; told.className = "told bad"; return; }
    const off = mark === null ? 0 : read.ft - mark / 12, far = Math.abs(off) * 12;
    let words = `understood: ${read.words}`;
    if (far >= 0.5 && ((off < 0 && isUnderBad) || (off > 0 && isOverBad))) {
      words += `; ${off < 0 ? "under" : "over"} the mark by ${feetWords(Math.abs(off))}: check, and note why`;
      told.className = "told bad";
    }
    told.textContent = words;
  }

  function show(tree) {
    const one = seen(tree), card = cards.get(tree);
    card.item.classList.toggle("done", one.done === "yes");
    card.state.textContent = { yes: "DONE", no: "NOT DONE" }[one.done] || "";
    for (const [word, tick] of Object.entries(card.ticks)) tick.checked = one.done === word;
    if (card.order) {
      card.order.checked = one.ordered !== "";
      for (const row of card.rows) row.hidden = one.ordered === "" && one.done === "";
    }
    const early = tree.earliest !== "" && one.date !== "" && one.date < tree.earliest;
    card.told.date.textContent = early ? `before ${tree.earliest}, the plan's earliest day: check, and note why` : "";
    card.told.date.className = early ? "told bad" : "told";
    if (card.told.height) tell(card.told.height, lengthOf(one, "height"), tree.is_band ? null : tree.low_in, true, false);
    if (card.told.from) {
      tell(card.told.from, lengthOf(one, "from"), tree.low_in, true, false);
      tell(card.told.to, lengthOf(one, "to"), tree.high_in, false, true);
    }
    progress();
  }

  function progress() {
    const asked = trees.filter((tree) => !tree.is_other); // what is no mangrove is left unless ordered
    const done = asked.filter(isDone).length, undone = asked.filter((tree) => seen(tree).done === "no").length;
    byId("progress").textContent = `${done} of ${asked.length} done, ${asked.filter(isRead).length} of ${asked.length} read`
      + (undone ? `, ${undone} not done` : "");
  }

  function filter() {
    const isOn = byId("left-only").checked;
    for (const tree of trees) cards.get(tree).item.hidden = isOn && !isLeftToDo(tree);
  }

  function fill() {
    for (const tree of trees) {
      const one = seen(tree), card = cards.get(tree);
      for (const [name, input] of Object.entries(card.inputs)) input.value = one[name];
      show(tree);
    }
    byId("reader").value = state.reader;
    byId("error").value = state.error;
    tellError();
    filter();
  }

  // --- Going to a tree ---------------------------------------------------------------------------

  const places = []; // of every tree that is told: number, element, whether it is to be left

  // The tree of a number as somebody types it: whole, or its end where only one ends so.
  function placeOf(text) {
    const plain = (words) => words.trim().toLowerCase(), wanted = plain(text);
    const whole = places.filter((one) => plain(one.crown_id) === wanted);
    if (whole.length) return whole;
    return places.filter((one) => plain(one.crown_id).endsWith(wanted)
      && !(/^\d/.test(wanted) && /\d$/.test(plain(one.crown_id).slice(0, -wanted.length).replace(/0+$/, ""))));
  }

  function jump() {
    const text = byId("jump").value, told = byId("jump-told");
    told.className = "told";
    told.textContent = "";
    if (!text.trim()) return;
    const found = placeOf(text);
    if (!found.length || (found.length > 1 && new Set(found.map((one) => one.crown_id)).size > 1)) {
      told.className = "told bad";
      told.textContent = found.length ? `more than one: ${found.slice(0, 6).map((one) => one.crown_id).join(", ")}` : "no such tree on this list: leave it";
      return;
    }
    const { item, box, crown_id: name, why, lot_id: lot } = found[0];
    if (box) box.open = true;
    item.hidden = false;
    if (why) told.textContent = `${name}: leave it as it is (${why})`;
    if (found.length > 1) told.textContent = `${name}: on several lots, this is lot ${lot}`;
    item.scrollIntoView({ block: "start" });
    item.focus({ preventScroll: true });
  }
  byId("jump").addEventListener("change", jump);

  function build() {
    byId("changed").hidden = data.changed === "";
    byId("changed").textContent = data.changed;
    byId("title").textContent = data.title;
    byId("about").textContent = data.about;
    byId("always").textContent = data.always;
    byId("caution").textContent = data.caution;
    let index = 0;
    for (const lot of data.lots) {
      const section = make("section"), heading = make("h2", `Lot ${lot.lot_id}: ${lot.date}`);
      section.append(heading);
      if (lot.holds.length) {
        const box = make("div", "", { class: "warning" });
        box.append(make("p", "DO NOT START before this is settled"), list(lot.holds));
        section.append(box);
      }
      if (lot.notices.length) section.append(fold("Notices", lot.notices));
      section.append(fold("Before the first cut", data.before, !trees.some(isDone)), fold("How the stick is read", data.stick));
      if (lot.marks.length) section.append(fold("Species: how to tell them", lot.marks));
      const work = make("ol", "", { class: "trees", "aria-label": `Order of work, lot ${lot.lot_id}` });
      for (const tree of lot.work) { work.append(cardOf(tree, index)); index += 1; places.push({ ...tree, item: cards.get(tree).item, why: "" }); }
      section.append(work);
      if (lot.left.length) {
        const box = make("details", "", { class: "left" }), all = make("dl");
        box.append(make("summary", `Leave as they are: ${lot.left.length}`), all);
        for (const one of lot.left) {
          const item = make("dt", `${one.crown_id}, ${one.species}`, { tabindex: "-1" });
          all.append(item, make("dd", one.why), make("dd", one.where));
          places.push({ ...one, lot_id: lot.lot_id, item, box });
        }
        section.append(box);
      }
      byId("main").append(section);
    }
    byId("jump-trees").append(...[...new Set(places.map((one) => one.crown_id))].map((name) => make("option", "", { value: name })));
  }

  // --- Out and in again --------------------------------------------------------------------------

  const guarded = (text) => (TO_GUARD.test(text) ? `'${text}` : text);
  const unguarded = (text) => (GUARDED.test(text) ? text.slice(1) : text);
  const cell = (text) => (/[",\r\n]/.test(text) ? `"${text.replace(/"/g, '""')}"` : text);

  // A row of the file; what could not be understood goes to its note as it was written.
  function rowOf(tree, lost) {
    const one = seen(tree), raw = [];
    const feet = (name) => {
      const read = lengthOf(one, name);
      if (read && read.why) raw.push(`${name}: ${one[name].trim()}`);
      return read && !read.why ? read.ft : null;
    };
    const height = feet("height");
    let from = feet("from"), to = feet("to");
    if ((from === null) !== (to === null) || (from !== null && from >= to)) {
      raw.push(`cleared: ${one.from.trim() || "?"} to ${one.to.trim() || "?"}`);
      from = to = null;
    }
    if (raw.length) lost.push(tree.crown_id);
    const note = [one.ordered && ORDERED, one.note.trim().replace(/\s+/g, " "), ...[...new Set(raw)].map((part) => `as written: ${part}`)].filter(Boolean);
    const error = parseFeet(state.error), told = (ft) => (ft === null ? "" : exact(ft));
    return [data.plan_sha256, guarded(tree.lot_id), guarded(tree.crown_id), String(data.year), one.done,
      told(height), height !== null && error && !error.why ? exact(error.ft) : "", told(from), told(to),
      ...(isSaid(one) ? [guarded(one.reader.trim()), one.date] : ["", ""]), guarded(note.join("; "))];
  }

  function exported() {
    const lost = [], rows = [COLUMNS, ...trees.map((tree) => rowOf(tree, lost))];
    return { text: rows.map((row) => row.map(cell).join(",") + "\r\n").join(""), lost };
  }

  byId("export").addEventListener("click", () => {
    const { text, lost } = exported();
    const file = new Blob(["\ufeff", text], { type: "text/csv;charset=utf-8" });
    const link = make("a", "", { download: `readings_year_${data.year}_${data.plan_sha256.slice(0, 8)}.csv` });
    link.href = URL.createObjectURL(file);
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    byId("copy").value = text;
    byId("copy-box").hidden = false;
    const told = byId("export-told");
    told.className = lost.length ? "told bad" : "told";
    told.textContent = lost.length
      ? `Not understood, put into the note as written: ${lost.join(", ")}`
      : `${trees.length} trees, ${trees.filter(isDone).length} done`;
  });

  byId("select").addEventListener("click", () => { byId("copy").focus(); byId("copy").select(); });

  // Rows of a CSV as RFC 4180 has it.
  function rowsOf(text) {
    const rows = [];
    let row = [], part = "", isQuoted = false;
    const plain = text.replace(/^\ufeff/, "");
    for (let k = 0; k < plain.length; k += 1) {
      const sign = plain[k];
      if (isQuoted) {
        if (sign === '"' && plain[k + 1] === '"') { part += '"'; k += 1; }
        else if (sign === '"') isQuoted = false;
        else part += sign;
      } else if (sign === '"' && part === "") isQuoted = true;
      else if (sign === ",") { row.push(part); part = ""; }
      else if (sign === "\n" || sign === "\r") {
        if (sign === "\r" && plain[k + 1] === "\n") k += 1;
        row.push(part); rows.push(row); row = []; part = "";
      } else part += sign;
    }
    if (part !== "" || row.length) { row.push(part); rows.push(row); }
    return rows.filter((one) => one.some((each) => each.trim() !== ""));
  }

  function imported(text) {
    const [head, ...rows] = rowsOf(text);
    const at = Object.fromEntries((head || []).map((name, k) => [name.trim(), k]));
    if (at.crown_id === undefined || at.lot_id === undefined) return { why: "no columns lot_id and crown_id in it: not a file of this page" };
    const entries = [];
    const unread = [];
    let other = 0, strange = 0;
    for (const row of rows) {
      const get = (name) => (at[name] === undefined ? "" : unguarded((row[at[name]] || "").trim()));
      if ((get("plan_sha256") && get("plan_sha256") !== data.plan_sha256) || (get("year") && Number(get("year")) !== data.year)) { other += 1; continue; }
      const tree = known.get(keyOf(get("lot_id"), get("crown_id")));
      if (!tree) { strange += 1; continue; }
      const one = { done: "", height: get("height_ft"), from: get("cleared_from_ft"), to: get("cleared_to_ft"),
        reader: get("reader"), date: "", note: get("note"), ordered: "" };
      if (tree.is_other && (one.note === ORDERED || one.note.startsWith(`${ORDERED}; `))) {
        one.ordered = "yes";
        one.note = one.note.slice(ORDERED.length).replace(/^; /, "");
      }
      const raw = [], done = get("is_done").toLowerCase(), day = get("date");
      if (YES.includes(done)) one.done = "yes";
      else if (NO.includes(done)) one.done = "no";
      else if (done) raw.push(`done: ${get("is_done")}`);
      if (isDay(day)) one.date = day;
      else if (day) raw.push(`day: ${day}`);
      one.note = [one.note, ...raw.map((part) => `as written: ${part}`)].filter(Boolean).join("; ");
      if (raw.length || LENGTHS.some((name) => (lengthOf(one, name) || {}).why)) unread.push(tree.crown_id);
      if (isTouched(one)) entries.push([tree, one]);
    }
    return { entries, other, strange, unread };
  }

  byId("import").addEventListener("change", async () => {
    const input = byId("import"), told = byId("import-told"), file = input.files[0];
    if (!file) return;
    const found = imported(await file.text());
    input.value = "";
    told.className = "told bad";
    if (found.why) { told.textContent = found.why; return; }
    const differs = found.entries.filter(([tree, one]) => isTouched(seen(tree)) && JSON.stringify(seen(tree)) !== JSON.stringify(one));
    const isReplacing = !differs.length || confirm(`${differs.length} trees have entries here already. Replace them by those of the file?`);
    let n = 0;
    for (const [tree, one] of found.entries) {
      if (isTouched(seen(tree)) && !isReplacing) continue;
      state.trees[keyOf(tree.lot_id, tree.crown_id)] = one;
      n += 1;
    }
    save();
    fill();
    const parts = [`${n} trees read`];
    if (found.other) parts.push(`${found.other} of another plan or year left out`);
    if (found.strange) parts.push(`${found.strange} not on this list left out`);
    if (found.unread.length) parts.push(`not all understood, see there what was written: ${found.unread.join(", ")}`);
    told.className = parts.length > 1 ? "told bad" : "told";
    told.textContent = parts.join(", ");
  });

  byId("clear").addEventListener("click", () => {
    const n = trees.filter((tree) => isTouched(seen(tree))).length;
    if (!confirm(`Clear what was entered for ${n} trees? It cannot be brought back.`)) return;
    for (const tree of trees) delete state.trees[keyOf(tree.lot_id, tree.crown_id)];
    save();
    fill();
  });

  byId("left-only").addEventListener("change", filter);
  byId("reader").addEventListener("input", () => { state.reader = byId("reader").value; save(); });
  function tellError() {
    const read = parseFeet(state.error), told = byId("error-told");
    told.className = read && read.why ? "told bad" : "told";
    told.textContent = !read ? "not told; whoever checks the cut is asked for it" : read.why || `understood: ${read.ft.toFixed(2)} ft`;
  }
  byId("error").addEventListener("input", () => { state.error = byId("error").value; save(); tellError(); });

  state = load();
  build();
  fill();
  save();
  globalThis.geotrimCrew = { parseFeet, feetWords }; // for tests
})();
