"use strict";
// The passenger's page. State comes as server-sent events; taps go into a queue that survives a lost
// connection and a reload, and carry an id of their own, so that sending one twice does it once.

const TOKEN = document.querySelector('meta[name="form-token"]').content;
const QUIET = 10000; // ms without a sign of life before the connection counts as lost
const SETTLE = 350; // ms after cards have moved in which a tap may have been meant for another card

const $ = (id) => document.getElementById(id);
let state = null;
let vocabulary = null;
let source = null;
let lastSign = 0;
let sending = false;
let refused = false;
let chosen = null; // id of the card that the keys work on
let mending = null; // what the dialog is about
let movedAt = 0;

function make(tag, attributes, ...children) {
  const element = document.createElement(tag);
  for (const [key, value] of Object.entries(attributes || {})) {
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== ""));
  return element;
}

function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return Array.from(bytes, (byte) => byte.toString(16).padStart(2, "0")).join("");
}

// The queue. Kept per session, so that a tap made in one drive never lands in another.

const queueKey = () => `fieldassist.waiting.${state ? state.session : ""}`;

function waiting() {
  if (!state) return [];
  try {
    const kept = JSON.parse(localStorage.getItem(queueKey()) || "[]");
    return Array.isArray(kept) ? kept : [];
  } catch {
    return [];
  }
}

function keep(items) {
  if (items.length) localStorage.setItem(queueKey(), JSON.stringify(items));
  else localStorage.removeItem(queueKey());
}

function tap(data) {
  if (!state) return;
  keep([...waiting(), { id: newId(), session: state.session, ...data }]);
  $("notice").textContent = "";
  render();
  send();
}

async function send() {
  if (sending || !state) return;
  sending = true;
  try {
    for (let items = waiting(); items.length; items = waiting()) {
      const item = items[0];
      const response = await fetch("/act", {
        method: "POST",
        headers: { "Content-Type": "application/json", "X-Form-Token": TOKEN },
        body: JSON.stringify(item),
      });
      if (response.status === 401 || response.status === 403) {
        refused = true;
        break;
      }
      if (response.status >= 500) {
        const told = await response.json().catch(() => ({}));
        $("notice").textContent = `Not stored yet: ${told.message || "the session file cannot be written"}`;
        break;
      }
      keep(waiting().filter((other) => other.id !== item.id));
      if (!response.ok) {
        const told = await response.json().catch(() => ({}));
        $("notice").textContent = `Not done: ${told.message || "refused"}`;
        render();
      }
    }
  } catch {
    // No connection: the queue stays, the timer tries again.
  } finally {
    sending = false;
    showLink();
  }
}

// The connection.

function connect() {
  if (source) source.close();
  lastSign = Date.now();
  source = new EventSource("/live");
  source.addEventListener("state", (event) => {
    lastSign = Date.now();
    const before = state ? state.session : null;
    state = JSON.parse(event.data);
    refused = false;
    if (before !== state.session) chosen = null;
    render();
    send();
    if (!vocabulary) fetchVocabulary();
  });
  source.addEventListener("beat", () => {
    lastSign = Date.now();
    showLink();
    send();
    if (!vocabulary) fetchVocabulary();
  });
  source.addEventListener("open", () => {
    lastSign = Date.now();
    showLink();
  });
  source.addEventListener("error", () => showLink());
}

async function fetchVocabulary() {
  try {
    const response = await fetch("/vocabulary");
    if (response.ok) vocabulary = await response.json();
  } catch {
    return; // asked for again with the next state or sign of life
  }
  if (vocabulary && $("mend").open && !$("pick-kind")) fields((mending && mending.finding) || {});
}

async function watch() {
  const lost = source.readyState === EventSource.CLOSED || Date.now() - lastSign > QUIET;
  if (lost && !refused) {
    // A stream that was refused (the drive was started anew) looks like a lost one: ask plainly.
    try {
      const response = await fetch("/vocabulary");
      refused = response.status === 401;
      if (response.ok) connect();
    } catch {
      // Still away.
    }
  }
  showLink();
  if (waiting().length) send();
}

function linked() {
  return !refused && source !== null && source.readyState === EventSource.OPEN && Date.now() - lastSign < QUIET;
}

function showLink() {
  const count = waiting().length;
  const taps = count === 1 ? "1 tap waits" : `${count} taps wait`;
  const link = $("link");
  link.classList.toggle("lost", !linked());
  if (refused) {
    if (!link.querySelector("a")) {
      link.replaceChildren("The drive was started anew. ", make("a", { href: "/pair" }, "Join again"));
    }
  } else if (linked()) {
    set(link, count ? `Connected, ${taps}` : "Connected");
  } else {
    set(link, count ? `No connection: ${taps}, none is lost` : "No connection: trying again");
  }
}

function set(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// What is shown.

function render() {
  if (!state) return;
  set($("where"), [state.vehicle, state.unit].filter(Boolean).join(" · "));
  renderStep();
  renderSuspects();
  renderCards();
  showLink();
}

function renderStep() {
  const step = state.step;
  set($("now-count"), step && step.number ? `Step ${step.number} of ${step.of}` : "");
  let title = step ? step.title : "Between two steps";
  if (state.finished) title = "The drive is done";
  else if (state.paused) title = `On hold${step ? `: ${step.title}` : ""}`;
  set($("now-title"), title);
  set($("now-prompt"), step && step.prompt && !state.finished ? `“${step.prompt}”` : "");
  set($("now-expect"), step && step.expect ? `Good: ${step.expect}` : "");
  set($("now-caution"), step && step.caution ? `Caution: ${step.caution}` : "");
}

function bar(share) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  for (const [key, value] of [["viewBox", "0 0 100 4"], ["preserveAspectRatio", "none"], ["class", "bar"], ["aria-hidden", "true"]]) svg.setAttribute(key, value);
  for (const [width, fill] of [[100, "#ffffff"], [100 * share, "#111111"]]) {
    const rect = document.createElementNS("http://www.w3.org/2000/svg", "rect");
    for (const [key, value] of [["width", width], ["height", 4], ["fill", fill], ["stroke", "#111111"], ["stroke-width", 0.5]]) rect.setAttribute(key, value);
    svg.append(rect);
  }
  return svg;
}

// What stands in brackets behind a name is left out where there is no room.
function named(name) {
  const [short, ...rest] = name.split(" (");
  return make("span", {}, short, rest.length ? make("span", { class: "more" }, ` (${rest.join(" (")}`) : null);
}

function renderSuspects() {
  const shown = JSON.stringify([state.suspects, state.next]);
  if ($("suspects").dataset.shown === shown) return;
  $("suspects").dataset.shown = shown;
  $("suspects").replaceChildren(
    ...state.suspects.map((suspect) =>
      make(
        "li",
        {},
        make("div", { class: "suspect" }, named(suspect.name), make("span", { class: "share" }, suspect.percent)),
        bar(suspect.share),
      ),
    ),
  );
  if (!state.suspects.length) $("suspects").append(make("li", { class: "none" }, "None yet."));
  const next = state.next[0];
  $("next").replaceChildren();
  if (next) {
    $("next").append(make("strong", {}, "Next test: "), next.name, make("span", { class: "more" }, next.why ? `. ${next.why}` : ""));
    if (next.caution) $("next").append(make("span", { class: "caution" }, ` Caution: ${next.caution}`));
  }
}

// An entry as it will be once the waiting taps have arrived.
function pending(entry, items) {
  let shown = entry;
  for (const item of items) {
    if (item.entry !== entry.id) continue;
    const state = { confirm: "confirmed", correct: "corrected", strike: "struck", restore: "open" }[item.do];
    shown = { ...shown, state, by: "passenger", sending: true, words: item.words || shown.words };
  }
  return shown;
}

function renderCards() {
  const items = waiting();
  const list = [
    ...items
      .filter((item) => item.do === "add")
      .map((item) => ({ id: item.id, state: "confirmed", by: "passenger", words: item.words, step: "", heard: "", near: [], sending: true, fresh: true }))
      .reverse(),
    ...state.unclear
      .filter((item) => !items.some((other) => other.heard_id === item.heard_id))
      .reverse()
      .map((item) => ({ ...item, id: item.heard_id, state: "unclear" })),
    ...state.entries.map((entry) => pending(entry, items)),
  ];
  const holder = $("cards");
  const old = new Map(Array.from(holder.children, (element) => [element.dataset.id, element]));
  const order = Array.from(old.keys());
  const fresh = [];
  for (const entry of list) {
    const shown = JSON.stringify(entry);
    let element = old.get(entry.id);
    if (!element || element.dataset.shown !== shown) {
      const focus = element && element.contains(document.activeElement) ? document.activeElement.dataset.do : null;
      const next = card(entry);
      next.dataset.shown = shown;
      if (element) element.replaceWith(next);
      if (focus) (next.querySelector(`[data-do="${focus}"]`) || next).focus();
      element = next;
    }
    fresh.push(element);
  }
  const same = order.length === fresh.length && fresh.every((element, index) => element.dataset.id === order[index]);
  if (!same) {
    const focused = document.activeElement;
    holder.replaceChildren(...fresh);
    if (focused && holder.contains(focused)) focused.focus({ preventScroll: true });
    if (order.length) settle();
  }
  if (!list.length) holder.replaceChildren(make("p", { class: "none" }, "Nothing heard yet."));
  set($("list-title"), state.open ? `Entries: ${state.open} open` : "Entries");
  mark();
}

// Cards have moved under the finger: for a moment no button takes a tap.
function settle() {
  movedAt = Date.now();
  const buttons = $("cards").querySelectorAll("button");
  for (const button of buttons) button.setAttribute("aria-disabled", "true");
  setTimeout(() => {
    if (Date.now() - movedAt < SETTLE) return;
    for (const button of $("cards").querySelectorAll("button")) button.removeAttribute("aria-disabled");
  }, SETTLE + 10);
}

const settled = () => Date.now() - movedAt >= SETTLE;

function button(text, what, entry, extra) {
  return make(
    "button",
    {
      type: "button",
      "data-do": what,
      class: extra,
      "aria-label": `${text}: ${entry.words || entry.heard}`,
      onclick: () => {
        if (settled()) act(what, entry);
      },
    },
    text,
  );
}

function card(entry) {
  const open = entry.state === "open" || entry.state === "unclear";
  let label = { open: "Open", confirmed: "Confirmed", corrected: "Corrected", struck: "Struck", unclear: "Not understood" }[entry.state];
  if (!open) label += ` by ${entry.by}`;
  if (entry.sending) label += ", waiting to be sent";
  const title = entry.state === "unclear" ? "What was it?" : entry.words;
  const buttons =
    entry.state === "unclear"
      ? [button("Say what it was", "correct", entry, "main"), button("Nothing", "dismiss", entry)]
      : entry.fresh
        ? []
        : entry.state === "struck"
          ? [button("Bring back", "restore", entry), button("Correct", "correct", entry)]
          : entry.state === "open"
            ? [button("Confirm", "confirm", entry, "main"), button("Correct", "correct", entry), button("Strike", "strike", entry)]
            : [button("Correct", "correct", entry), button("Strike", "strike", entry)];
  return make(
    "article",
    { class: `card ${entry.state}`, "data-id": entry.id, "data-state": entry.state, tabindex: "-1" },
    make("p", { class: "stub" }, make("span", { class: "state" }, label), make("span", {}, entry.number ? `${entry.number}` : "")),
    make("p", { class: "step" }, entry.step),
    make("h3", {}, title),
    entry.was ? make("p", { class: "small" }, `was: ${entry.was}`) : null,
    entry.heard ? make("p", { class: "heard" }, `heard: “${entry.heard}”${entry.doubtful ? " (unsure)" : ""}`) : null,
    buttons.length ? make("div", { class: `touch n${buttons.length}` }, ...buttons) : null,
  );
}

function act(what, entry) {
  if (what === "correct") openMend(entry);
  else if (what === "dismiss") tap({ do: "dismiss", heard_id: entry.heard_id });
  else tap({ do: what, entry: entry.id });
}

// Correcting and adding: nearest readings, pick lists, typing.

function openMend(entry) {
  mending = entry;
  set($("mend-title"), entry === null ? "Add an entry" : entry.state === "unclear" ? "What was it?" : "Correct");
  set($("mend-was"), entry === null ? "" : entry.state === "unclear" ? `heard: “${entry.heard}”` : `now: ${entry.words}${entry.heard ? ` (heard: “${entry.heard}”)` : ""}`);
  const near = entry === null ? [] : entry.near;
  $("mend-near-part").hidden = !near.length;
  $("mend-near").replaceChildren(...near.map(choice));
  $("mend-found").replaceChildren();
  $("mend-text").value = "";
  set($("mend-wrong"), "");
  fields(entry && entry.finding ? entry.finding : {});
  if (!$("mend").open) $("mend").showModal();
  $("mend").scrollTop = 0;
}

function choice(option) {
  return make("button", { type: "button", onclick: () => decide(option.finding, option.words) }, option.words);
}

function decide(finding, words) {
  const entry = mending;
  $("mend").close();
  if (entry === null) tap({ do: "add", finding, words, step: state.step ? state.step.id : null });
  else if (entry.state === "unclear") tap({ do: "add", finding, words, step: entry.step_id, heard_id: entry.heard_id });
  else tap({ do: "correct", entry: entry.id, finding, words });
}

const LABELS = { kind: "What", present: "Was it there?", shift: "Shift", gear: "Gear", range: "Selector range", throttle: "Throttle", load: "Load", temperature: "Temperature", severity: "How strong", where: "Where or which", value: "Value", unit: "Unit" };

function pick(name, options, value, groups) {
  const id = `pick-${name}`;
  const select = make("select", { id, "data-field": name });
  if (groups) {
    select.append(make("option", { value: "" }, "—"));
    for (const group of groups) {
      select.append(make("optgroup", { label: group.title }, ...group.kinds.map((kind) => make("option", { value: kind.id }, kind.words))));
    }
  } else {
    for (const option of options) select.append(make("option", { value: option.id }, option.words));
  }
  select.value = value;
  if (select.selectedIndex < 0) select.selectedIndex = 0;
  return make("div", { class: "field" }, make("label", { for: id }, LABELS[name]), select);
}

const plain = (values) => values.map((value) => ({ id: value, words: value }));

function fields(finding) {
  const holder = $("mend-fields");
  if (!vocabulary) {
    holder.replaceChildren(make("p", {}, "The pick lists come with the connection."));
    return;
  }
  const kind = finding.kind || "";
  const parts = [pick("kind", null, kind, vocabulary.groups)];
  if (kind) {
    const none = { id: "", words: "not said" };
    const lists = { shift: vocabulary.shifts, gear: vocabulary.gears, range: vocabulary.ranges, throttle: vocabulary.throttles, load: vocabulary.loads, temperature: vocabulary.temperatures, severity: vocabulary.severities };
    for (const name of vocabulary.fields[kind]) {
      const value = finding[name] === undefined || finding[name] === null ? "" : String(finding[name]);
      if (name === "value") {
        parts.push(make("div", { class: "field" }, make("label", { for: "pick-value" }, LABELS.value), make("input", { id: "pick-value", "data-field": "value", inputmode: "decimal", autocomplete: "off", maxlength: "10", value })));
      } else if (name === "unit") {
        parts.push(pick("unit", plain(vocabulary.units[kind]), value));
      } else if (name === "where") {
        const places = vocabulary.where[kind] || [];
        const known = !value || places.some((place) => place.id === value);
        parts.push(pick("where", [none, ...places, ...(known ? [] : plain([value]))], value));
      } else {
        parts.push(pick(name, [none, ...plain(lists[name])], value));
      }
    }
    if (!vocabulary.fields[kind].includes("value")) {
      parts.push(pick("present", [{ id: "yes", words: "yes" }, { id: "no", words: "no, looked for and not there" }], finding.present === false ? "no" : "yes"));
    }
  }
  holder.replaceChildren(...parts);
  holder.querySelector("#pick-kind").addEventListener("change", (event) => {
    fields({ ...picked(), kind: event.target.value });
    $("pick-kind").focus();
  });
}

function picked() {
  const finding = {};
  for (const element of $("mend-fields").querySelectorAll("[data-field]")) {
    const value = element.value.trim();
    const name = element.dataset.field;
    if (name === "present") finding.present = value !== "no";
    else if (name === "value") finding.value = value === "" ? null : Number(value.replace(",", "."));
    else if (value) finding[name] = value;
  }
  return finding;
}

function savePicked() {
  const finding = picked();
  if (!finding.kind) {
    set($("mend-wrong"), "Pick what was noticed.");
    return;
  }
  if (vocabulary.fields[finding.kind].includes("value") && !Number.isFinite(finding.value)) {
    set($("mend-wrong"), "The value must be a number.");
    $("pick-value").focus();
    return;
  }
  const words = Array.from($("mend-fields").querySelectorAll("[data-field]"))
    .filter((element) => element.value && element.dataset.field !== "present")
    .map((element) => (element.selectedOptions ? element.selectedOptions[0].textContent : element.value));
  decide(finding, (finding.present === false ? "not there: " : "") + words.join(", "));
}

async function lookUp() {
  const text = $("mend-text").value.trim();
  if (!text) return;
  const found = $("mend-found");
  set(found, "Looking…");
  try {
    const step = mending && mending.step_id ? mending.step_id : state.step ? state.step.id : null;
    const response = await fetch("/match", {
      method: "POST",
      headers: { "Content-Type": "application/json", "X-Form-Token": TOKEN },
      body: JSON.stringify({ text, step }),
    });
    const told = await response.json();
    if (response.ok) found.replaceChildren(...told.choices.map(choice));
    else set(found, told.message);
  } catch {
    set(found, "No connection: pick from the lists, or leave it open.");
  }
}

$("mend-save").addEventListener("click", savePicked);
$("mend-match").addEventListener("click", lookUp);
$("mend-close").addEventListener("click", () => $("mend").close());
$("mend-text").addEventListener("keydown", (event) => {
  if (event.key === "Enter") {
    event.preventDefault();
    lookUp();
  }
});
$("mend-form").addEventListener("submit", (event) => event.preventDefault());
$("add").addEventListener("click", () => openMend(null));

// Keys.

function cards() {
  return Array.from($("cards").querySelectorAll("article"));
}

function mark() {
  const all = cards();
  let current = all.find((element) => element.dataset.id === chosen);
  if (!current) {
    current = all.find((element) => element.dataset.state === "open" || element.dataset.state === "unclear");
  }
  for (const element of all) element.classList.toggle("chosen", element === current);
  return current || null;
}

document.addEventListener("keydown", (event) => {
  if ($("mend").open || event.ctrlKey || event.metaKey || event.altKey) return;
  if (/^(INPUT|SELECT|TEXTAREA)$/.test(event.target.tagName)) return;
  const all = cards();
  const current = mark();
  const key = event.key.toLowerCase();
  if (key === "arrowdown" || key === "arrowup") {
    if (!all.length) return;
    event.preventDefault();
    const place = all.indexOf(current) + (key === "arrowdown" ? 1 : -1);
    const next = all[Math.max(0, Math.min(all.length - 1, place))];
    chosen = next.dataset.id;
    mark();
    next.focus();
    return;
  }
  if (key === "a") {
    event.preventDefault();
    openMend(null);
    return;
  }
  const what = { c: ["confirm"], t: ["correct"], s: ["strike", "dismiss"], u: ["restore"] }[key];
  if (!what || !current || event.repeat) return;
  const target = what.map((name) => current.querySelector(`button[data-do="${name}"]`)).find(Boolean);
  if (target) {
    event.preventDefault();
    chosen = null;
    target.click();
    mark();
  }
});

document.addEventListener("focusin", (event) => {
  const element = event.target.closest ? event.target.closest("article.card") : null;
  if (element) {
    chosen = element.dataset.id;
    mark();
  }
});

connect();
setInterval(watch, 1000);
window.addEventListener("online", () => connect());
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && !linked()) connect();
});
