// @ts-check
// What the overview page does where scripts run: it filters, shows details, looks back, and copies tables as CSV.
// Rules: the page's tables are the data, and nothing else is read; text goes into the page as text, never as markup;
// nothing is fetched, stored or sent; whatever a pointer does, the keyboard does.
"use strict";

/** @typedef {{ letter: string, name: string, css: string, rank: number }} State */
/** @typedef {{ day: string, what: string, runs: string, staged: string, state: State | null, more: string }} Change */
/**
 * @typedef {object} Row
 * @property {number} number
 * @property {HTMLTableRowElement} element
 * @property {HTMLElement} domain
 * @property {string[]} cells  as they are now
 * @property {string} text  as of the chosen day, in lower case
 * @property {State | null} now
 * @property {State | null} state  as of the chosen day
 * @property {string} runs  as of the chosen day
 * @property {string} staged  as of the chosen day
 */

const SHOWN = 100; // rows of the table of what was found; the CSV has all
const AT_ONCE = 20; // rows that a table gets at once, so that an answer comes at once; the others follow when there is time
const STATE = 0, COMPONENT = 1, KIND = 5, MODEL = 6, RUNS = 7, GOAL = 8, STAGED = 9; // columns of a domain's table

/**
 * The one element that a selector names.
 * @template {Element} T
 * @param {string} selector
 * @param {{ new (): T }} type
 * @param {ParentNode} [within]
 * @returns {T}
 */
function one(selector, type, within = document) {
  const found = within.querySelector(selector);
  if (!(found instanceof type)) throw new Error(`the page has no ${selector}`);
  return found;
}

/**
 * A new element with a text or with elements in it.
 * @template {keyof HTMLElementTagNameMap} T
 * @param {T} tag
 * @param {(string | Node)[]} inside
 * @param {string} [className]
 * @returns {HTMLElementTagNameMap[T]}
 */
function made(tag, inside, className = "") {
  const element = document.createElement(tag);
  if (className) element.className = className;
  element.append(...inside);
  return element;
}

/** @param {Element} element */
const textOf = (element) => (element.textContent ?? "").trim();

/** @type {Map<string, State>} */
const states = new Map();
for (const [rank, badge] of document.querySelectorAll(".legend dt b.s").entries()) {
  const letter = textOf(badge);
  const name = textOf(badge.parentElement?.nextElementSibling?.querySelector("b") ?? badge);
  states.set(letter, { letter, name, css: [...badge.classList].find((word) => word.startsWith("s-")) ?? "", rank });
}

/** @param {State | null} state */
const badgeOf = (state) => (state ? [made("b", [state.letter], `s ${state.css}`), ` ${state.name}`] : ["- not there"]);

/** A row's cells as of the chosen day. @param {Row} row */
function cellsOf(row) {
  const cells = [...row.cells];
  cells[STATE] = badgeOf(row.state).map((part) => (typeof part === "string" ? part : textOf(part))).join("");
  cells[RUNS] = row.runs;
  cells[STAGED] = row.staged;
  return cells;
}

/** @type {Row[]} */
const rows = []; // by number, from 1: rows[0] is unused
/** @type {Map<number, Change[]>} */
const changes = new Map();
/** @type {string[]} */
let days = []; // the days to look back to, the oldest first; now is after the last one

/** Read every table, once. */
function read() {
  if (rows.length) return;
  rows.length = 1;
  for (const domain of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("section.domain"))) {
    const table = domain.querySelector("table.components");
    for (const element of table instanceof HTMLTableElement ? table.tBodies[0]?.rows ?? [] : []) {
      const cells = Array.from(element.cells, textOf);
      const state = states.get((cells[STATE] ?? "").slice(0, 1)) ?? null;
      const number = Number(element.id.slice(1));
      rows[number] = {
        number, element, domain, cells, text: cells.join("\n").toLowerCase(), now: state, state,
        runs: cells[RUNS] ?? "", staged: cells[STAGED] ?? "",
      };
    }
    readChanges(domain);
  }
  days = [...new Set([...changes.values()].flat().map((change) => change.day))].sort();
}

/** @param {HTMLElement} domain */
function readChanges(domain) {
  for (const element of domain.querySelectorAll("table.changes tbody tr")) {
    const [day = "", , what = "", runs = "", staged = "", letter = "", by = "", evidence = ""] = Array.from(
      element.children, textOf,
    );
    const number = Number(element.querySelector("a")?.hash.slice(2));
    const state = states.get(letter.slice(0, 1)) ?? null;
    const list = changes.get(number) ?? [];
    list.push({ day, what, runs, staged, state, more: [by, evidence].filter(Boolean).join(", ") });
    changes.set(number, list);
  }
}

const form = one("#filter", HTMLFormElement);
const found = one("#found", HTMLElement);
const count = one("#count", HTMLOutputElement);
const text = one("#filter [name=text]", HTMLInputElement);
const range = one("#filter [name=day]", HTMLInputElement);
const shownDay = one("#day", HTMLOutputElement);
const detail = one("#detail", HTMLDialogElement);
const choices = /** @type {const} */ (["kind", "model", "version", "state"]).map((name) => ({
  name, element: one(`#filter [name=${name}]`, HTMLSelectElement),
}));

/** Do it when the browser has time. @param {() => void} work */
const whenIdle = (work) => void (typeof requestIdleCallback === "function" ? requestIdleCallback(work) : setTimeout(work));

/** @type {Row[]} */
let matching = [];
/** @type {Map<HTMLElement, string>} */
const drawn = new Map(); // the day that each domain's rows and boxes were last set to
/** @type {Set<HTMLElement>} */
const touched = new Set(); // domains in which rows or cells were changed by a filter or a day

/** @param {Row} row @param {string[]} words @param {Map<string, string>} wanted */
function fits(row, words, wanted) {
  for (const word of words) if (!row.text.includes(word)) return false;
  for (const [name, value] of wanted) {
    if (name === "kind" && row.cells[KIND] !== value) return false;
    if (name === "model" && row.cells[MODEL] !== value) return false;
    if (name === "version" && row.runs !== value && row.staged !== value) return false;
    if (name === "state" && (row.state?.letter ?? "-") !== value) return false;
  }
  return true;
}

/** What of the choices is asked for: only what is given. */
function asked() {
  /** @type {Map<string, string>} */
  const wanted = new Map();
  for (const { name, element } of choices) if (element.value) wanted.set(name, element.value);
  return wanted;
}

/** The domain that is shown; null on the front. @returns {HTMLElement | null} */
function shownDomain() {
  const at = document.getElementById(location.hash.slice(1))?.closest("section.domain") ?? null;
  const domain = at ?? document.querySelector("body.one section.domain");
  return domain instanceof HTMLElement ? domain : null;
}

/** Show the domain that the address names, or the front. */
function turnTo() {
  const domain = shownDomain();
  for (const other of document.querySelectorAll("section.domain.open")) if (other !== domain) other.classList.remove("open");
  domain?.classList.add("open");
  const isNew = document.body.classList.toggle("inside", domain !== null && !document.body.classList.contains("one"));
  const target = document.getElementById(location.hash.slice(1));
  if (isNew && target) target.scrollIntoView();
}

/** Show what the filter and the day ask for. */
function show() {
  read();
  const words = text.value.toLowerCase().split(/\s+/).filter(Boolean);
  const wanted = asked();
  const isAsked = words.length + wanted.size > 0;
  matching = rows.filter((row) => fits(row, words, wanted));
  count.value = isAsked ? `${matching.length} of ${rows.length - 1} components` : `${rows.length - 1} components`;
  const domain = shownDomain();
  found.hidden = !isAsked || domain !== null;
  if (!found.hidden) listFound();
  showTiles(isAsked);
  const isChanged = isAsked || Number(range.value) < days.length;
  if (domain === null || !(touched.has(domain) || isChanged)) return;
  showRows(domain, new Set(matching));
  if (isChanged) touched.add(domain);
  else touched.delete(domain);
}

/** The first of what was found, as a table; each row leads to its domain. */
function listFound() {
  const head = document.querySelector("table.components thead");
  const table = made("table", [], "components");
  if (head) table.append(head.cloneNode(true));
  table.tHead?.rows[0]?.prepend(Object.assign(made("th", ["Domain"]), { scope: "col" }));
  const body = table.createTBody();
  for (const [place, row] of matching.slice(0, SHOWN).entries()) {
    const line = /** @type {HTMLTableRowElement} */ (row.element.cloneNode(true));
    line.removeAttribute("id");
    line.hidden = false;
    line.classList.toggle("later", place >= AT_ONCE);
    fill(line, row);
    line.prepend(made("td", [textOf(row.domain.querySelector("h2") ?? row.domain)]));
    body.append(line);
  }
  one(".scroll", HTMLElement, found).replaceChildren(table);
  const more = matching.length > SHOWN ? `; the first ${SHOWN} are shown, the copy has all` : "";
  one("p", HTMLElement, found).textContent = `${count.value}${more}`;
  rove(table);
  whenIdle(() => follow(table));
}

/** The next rows of a table that were left for later; copies and counts never wait for them. @param {Element} table */
function follow(table) {
  const waiting = [...table.querySelectorAll("tr.later")];
  for (const row of waiting.slice(0, SHOWN)) row.classList.remove("later");
  if (waiting.length > SHOWN) whenIdle(() => follow(table));
}

/** @param {boolean} isAsked */
function showTiles(isAsked) {
  const isNow = Number(range.value) >= days.length;
  document.body.classList.toggle("past", !isNow);
  /** @type {Map<HTMLElement, Map<State | null, number>>} */
  const counts = new Map();
  for (const row of isAsked ? matching : rows.slice(1)) {
    const own = counts.get(row.domain) ?? new Map();
    own.set(row.state, (own.get(row.state) ?? 0) + 1);
    counts.set(row.domain, own);
  }
  for (const tile of document.querySelectorAll("a.tile")) {
    const domain = document.getElementById((tile.getAttribute("href") ?? "").slice(1));
    const own = [...((domain && counts.get(domain)) ?? new Map())].sort(([a], [b]) => (a?.rank ?? 99) - (b?.rank ?? 99));
    tile.classList.toggle("dim", isAsked && own.length === 0);
    one(".sum", HTMLElement, tile).replaceChildren(
      ...own.map(([state, number]) => made("span", [...badgeOf(state).slice(0, 1), ` ${number}`, made("span", [` ${state?.name ?? ""}`], "sr")])),
    );
  }
}

/** @param {HTMLElement} domain @param {Set<Row>} matches */
function showRows(domain, matches) {
  const isOther = (drawn.get(domain) ?? range.max) !== range.value;
  drawn.set(domain, range.value);
  let coming = 0;
  for (const row of rows) {
    if (row?.domain !== domain) continue;
    const isHidden = !matches.has(row);
    if (row.element.hidden && !isHidden && ++coming > AT_ONCE) row.element.classList.add("later");
    row.element.hidden = isHidden;
    if (isOther) fill(row.element, row);
  }
  for (const link of domain.querySelectorAll("a.cell, a.half")) {
    const own = rowsOf(link);
    link.classList.toggle("dim", !own.some((row) => matches.has(row)));
    if (isOther) draw(link, own);
  }
  if (coming > AT_ONCE) whenIdle(() => follow(domain));
}

/** Paper has every domain: each gets what the filter and the day ask for. */
function showAll() {
  show();
  if (!touched.size && !asked().size && Number(range.value) >= days.length) return;
  const matches = new Set(matching);
  for (const domain of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("section.domain"))) {
    showRows(domain, matches);
    touched.add(domain);
  }
}

/** The state and the versions of the chosen day into a row. @param {HTMLTableRowElement} element @param {Row} row */
function fill(element, row) {
  const [state, runs, staged] = [STATE, RUNS, STAGED].map((column) => element.cells[column]);
  if (textOf(state ?? element) !== cellsOf(row)[STATE]) state?.replaceChildren(...badgeOf(row.state));
  if (runs && runs.textContent !== row.runs) runs.textContent = row.runs;
  if (staged && staged.textContent !== row.staged) staged.textContent = row.staged;
}

/** The rows that a box of a picture stands for. @param {Element} link */
function rowsOf(link) {
  const first = Number((link.getAttribute("href") ?? "").slice(2));
  return rows.slice(first, first + Number(link.getAttribute("data-n") ?? 1));
}

/** A box of a picture as of the chosen day. @param {Element} link @param {Row[]} own */
function draw(link, own) {
  const worst = own.map((row) => row.state).reduce((a, b) => (!a || (b && b.rank < a.rank) ? b : a), null);
  const same = own.filter((row) => row.state === worst).length;
  const letter = worst?.letter ?? "-";
  link.classList.remove(...[...link.classList].filter((word) => word.startsWith("s-")));
  if (worst) link.classList.add(worst.css);
  const [title, , first, , versions] = link.children;
  const words = own.length === 1 ? letter : same === own.length ? `${letter}×${own.length}` : `${letter} ${same}/${own.length}`;
  if (first && textOf(first) !== words) first.textContent = words;
  if (link.classList.contains("cell")) first?.classList.toggle("long", words.length > 4);
  const row = own[0];
  if (!title || !row || own.length > 1) return;
  const goal = row.cells[GOAL] ?? "";
  const isOther = goal !== "" && goal !== row.runs && row.state !== null;
  title.textContent = `${row.cells[KIND]} ${row.cells[COMPONENT]}: ${row.state?.name ?? "not there"}, runs ${row.runs}`
    + (isOther ? `, the release has ${goal}` : "");
  if (versions && link.classList.contains("half")) versions.textContent = isOther ? `${row.runs} → ${goal}` : row.runs;
}

/** Set every row to the chosen day. */
function lookBack() {
  read();
  const place = Number(range.value);
  const day = days[place];
  shownDay.value = day ?? "now";
  range.setAttribute("aria-valuetext", day ?? "now");
  for (const row of rows.slice(1)) {
    const then = day === undefined ? undefined : changes.get(row.number)?.findLast((change) => change.day <= day);
    row.state = then ? then.state : row.now;
    row.runs = then ? then.runs : row.cells[RUNS] ?? "";
    row.staged = then ? then.staged : row.cells[STAGED] ?? "";
    if (changes.has(row.number)) row.text = cellsOf(row).join("\n").toLowerCase();
  }
  show();
}

/** One component's banks, names and history, in front of the page. @param {number} number */
function open(number) {
  read();
  const row = rows[number];
  const head = row?.element.closest("table")?.tHead?.rows[0];
  if (!row || !head) return;
  one("h2", HTMLElement, detail).textContent = `${row.cells[KIND]} ${row.cells[COMPONENT]}`;
  const shown = /** @type {HTMLTableRowElement} */ (row.element.cloneNode(true));
  fill(shown, row);
  const facts = Array.from(head.cells).flatMap((title, column) => {
    const cell = shown.cells[column];
    return cell && textOf(cell)
      ? [made("div", [made("dt", [textOf(title)]), made("dd", [...cell.childNodes].map(plain))])]
      : [];
  });
  one("dl", HTMLElement, detail).replaceChildren(...facts);
  const list = (changes.get(number) ?? []).map((change) =>
    made("li", [
      made("b", [change.day]), change.what ? ` ${change.what}: ` : " ", ...badgeOf(change.state),
      change.state ? `, runs ${change.runs}` : "", change.staged ? `, staged ${change.staged}` : "",
      change.more ? ` (${change.more})` : "",
    ]));
  one("ol", HTMLElement, detail).replaceChildren(...list);
  one("h3", HTMLElement, detail).hidden = list.length === 0;
  if (!detail.open) detail.showModal();
}

/** A link of a row as its text: in the dialog it leads nowhere. @param {Node} node */
const plain = (node) => (node instanceof HTMLAnchorElement ? node.textContent ?? "" : node);

/** A table's rows as CSV (RFC 4180); no cell begins a formula. @param {HTMLTableElement} table */
function csvOf(table) {
  const isFound = found.contains(table);
  const body = isFound
    ? matching.map((row) => [textOf(row.domain.querySelector("h2") ?? row.domain), ...cellsOf(row)])
    : Array.from(table.tBodies[0]?.rows ?? []).filter((row) => !row.hidden).map((row) => Array.from(row.cells, textOf));
  const head = Array.from(table.tHead?.rows[0]?.cells ?? [], textOf);
  return [head, ...body].map((cells) => cells.map(csvCell).join(",") + "\r\n").join("");
}

/** @param {string} cell */
function csvCell(cell) {
  const safe = cell !== "-" && /^'*[=+\-@\t\r]/.test(cell) ? `'${cell}` : cell;
  return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

/** Copy a table; where the browser does not let a page copy, the text is shown to be copied. @param {HTMLElement} region @param {HTMLButtonElement} button */
async function copy(region, button) {
  const table = one("table", HTMLTableElement, region);
  read();
  const csv = csvOf(table);
  try {
    await navigator.clipboard.writeText(csv);
    button.textContent = "Copied";
  } catch {
    const area = region.nextElementSibling instanceof HTMLTextAreaElement ? region.nextElementSibling : made("textarea", [], "csv");
    area.value = csv;
    area.readOnly = true;
    area.setAttribute("aria-label", "The table as CSV: copy it from here");
    region.after(area);
    area.focus();
    area.select();
    button.textContent = "Copy it from the field below";
  }
}

/** Of many links one is in the order of Tab, and arrows go between them. @param {Element} group */
function rove(group) {
  const links = [...group.querySelectorAll("a")];
  for (const [place, link] of links.entries()) link.setAttribute("tabindex", place === 0 ? "0" : "-1");
}

/** @type {Record<string, number>} */
const STEPS = { ArrowRight: 1, ArrowDown: 1, ArrowLeft: -1, ArrowUp: -1 };

/** @param {KeyboardEvent} event */
function move(event) {
  const link = event.target instanceof Element ? event.target.closest("a") : null;
  const group = link?.closest("svg, table");
  const step = STEPS[event.key];
  if (!link || !group || (step === undefined && event.key !== "Home" && event.key !== "End")) return;
  const links = [...group.querySelectorAll("a")].filter((other) => !other.closest("[hidden]"));
  const place = links.indexOf(link);
  const next = event.key === "Home" ? links[0] : links.at(event.key === "End" ? -1 : Math.min(place + (step ?? 0), links.length - 1));
  if (!next || (step === -1 && place === 0)) return;
  event.preventDefault();
  link.setAttribute("tabindex", "-1");
  next.setAttribute("tabindex", "0");
  next.focus();
}

/** The choices of the filter, from what the tables have. */
function offer() {
  read();
  const columns = {
    kind: rows.map((row) => row.cells[KIND]), model: rows.map((row) => row.cells[MODEL]),
    version: rows.flatMap((row) => [row.cells[RUNS], row.cells[STAGED]]), state: [],
  };
  for (const { name, element } of choices) {
    const words = [...new Set(columns[name])].filter(Boolean).sort((a = "", b = "") => a.localeCompare(b, "en", { numeric: true }));
    element.append(...words.map((word = "") => new Option(word.length > 40 ? `${word.slice(0, 39)}…` : word, word)));
    if (name === "state") element.append(...[...states.values()].map((state) => new Option(`${state.letter} ${state.name}`, state.letter)));
  }
  range.max = String(days.length);
  range.value = range.max;
  one(".when", HTMLElement, form).hidden = days.length === 0;
  shownDay.value = "now";
  count.value = `${rows.length - 1} components`;
}

function begin() {
  for (const region of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("main .scroll"))) {
    const button = made("button", ["Copy as CSV"], "copy");
    button.type = "button";
    button.addEventListener("click", () => void copy(region, button));
    region.before(button);
  }
  for (const group of document.querySelectorAll("svg.picture, table.components, table.changes")) rove(group);
  form.hidden = false;
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("input", (event) => (event.target === range ? lookBack() : show()));
  form.addEventListener("reset", () => setTimeout(() => {
    range.value = range.max;
    lookBack();
  }));
  document.addEventListener("keydown", move);
  addEventListener("beforeprint", showAll);
  document.addEventListener("click", (event) => {
    const link = event.target instanceof Element ? event.target.closest("a[href^='#c']") : null;
    if (!link) return;
    open(Number((link.getAttribute("href") ?? "").slice(2)));
    setTimeout(() => one("button", HTMLButtonElement, detail).focus()); // where a link leads takes the focus away
  });
  one("button", HTMLButtonElement, detail).addEventListener("click", () => detail.close());
  addEventListener("hashchange", () => {
    turnTo();
    show();
  });
  turnTo();
  whenIdle(() => {
    offer();
    if (/^#c[0-9]+$/.test(location.hash)) open(Number(location.hash.slice(2)));
  });
}

begin();
