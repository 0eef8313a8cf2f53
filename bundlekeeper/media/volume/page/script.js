// What a volume's files are, beside what its lists say. Formats: RFC 8493; GNU coreutils' checksum lines.

/** @typedef {{path: string, file: File}} Chosen - a file and its path, the chosen folder's name first */
/** @typedef {"altered" | "missing" | "unreadable" | "extra" | "not chosen" | "not verified" | "whole"} State */
/** @typedef {{path: string, state: State, note: string}} Row */
/** @typedef {{name: string, loose: boolean, files: Chosen[]}} Volume - its paths from there; loose: single files */
/** @typedef {Map<string, Set<string>>} Stated - each path with its digests; of a list, each list with its paths */

const SUMS = "SHA256SUMS";
const TAG_MANIFEST = "tagmanifest-sha256.txt";
const LISTS = [SUMS, "manifest-sha256.txt", TAG_MANIFEST];
const LINE = /^\\?([0-9A-Fa-f]{64}) [ *]?(.+)$/;
const LIST_BYTES = 32 * 1024 * 1024;
/** @type {State[]} */
const ORDER = ["altered", "unreadable", "missing", "extra", "not verified", "not chosen", "whole"];
const SHOWN = 5000; // rows of a table; the others are counted
const NEXT_MS = 100; // between two looks of the progress

/** @type {<T extends HTMLElement>(id: string) => T} */
const element = (id) => /** @type {any} */ (document.getElementById(id));
let run = 0; // the number of the newest run: an older one stops

/** A name as text that cannot reorder or hide what is beside it. @param {string} text */
function shown(text) {
  return text.replace(/[\p{C}\p{Zl}\p{Zp}]/gu, (found) => `\\u{${found.codePointAt(0)?.toString(16)}}`);
}

/** @param {number} count @param {string} one @param {string} many */
function counted(count, one, many) {
  return `${count.toLocaleString("en")} ${count === 1 ? one : many}`;
}

/** The SHA-256 of a file, read in pieces. @param {File} file @param {(bytes: number) => void} progress */
async function digestOf(file, progress) {
  const hash = new _SHA256();
  const reader = file.stream().getReader();
  let size = 0;
  for (;;) {
    const { value, done } = await reader.read();
    if (done) break;
    hash.update(value);
    size += value.length;
    progress(value.length);
  }
  if (size !== file.size) throw new Error(`${size} of ${file.size} bytes could be read`);
  return Array.from(hash.digest(), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

/** The volumes among what was chosen: the outermost folders with a list; single files are one. @param {Chosen[]} all */
function volumesOf(all) {
  const folders = new Set();
  for (const { path } of all) {
    const at = path.lastIndexOf("/");
    if (at > 0 && LISTS.includes(path.slice(at + 1))) folders.add(path.slice(0, at));
  }
  const above = (/** @type {string} */ path) => {
    for (let at = path.indexOf("/"); at > 0; at = path.indexOf("/", at + 1)) {
      if (folders.has(path.slice(0, at))) return path.slice(0, at);
    }
    return path.slice(0, Math.max(0, path.indexOf("/")));
  };
  /** @type {Map<string, Volume>} */
  const found = new Map();
  for (const { path, file } of all) {
    const name = above(path);
    if (!found.has(name)) found.set(name, { name, loose: name === "", files: [] });
    found.get(name)?.files.push({ path: name ? path.slice(name.length + 1) : path, file });
  }
  return [...found.values()];
}

/** What the lists of a volume say. @param {Volume} volume @param {Row[]} rows @returns {Promise<[Stated, Stated]>} */
async function statedBy(volume, rows) {
  /** @type {Stated} */
  const stated = new Map();
  /** @type {Stated} */
  const lists = new Map();
  for (const { path: name, file } of volume.files) {
    if (!LISTS.includes(name)) continue;
    const named = lists.get(name) ?? new Set();
    lists.set(name, named);
    let text = "";
    try {
      if (file.size > LIST_BYTES) throw new Error(`${file.size} bytes, larger than any list`);
      text = await file.text();
    } catch (error) {
      rows.push({ path: name, state: "unreadable", note: String(error) });
    }
    for (const line of text.split(/\r?\n|\r/)) {
      const [, digest, path] = LINE.exec(line) ?? [];
      if (digest && path) {
        if (!stated.has(path)) stated.set(path, new Set());
        stated.get(path)?.add(digest.toLowerCase());
        named.add(path);
      } else if (line.trim()) {
        rows.push({ path: name, state: "altered", note: `has a line that is no checksum and name: ${line.slice(0, 80)}` });
      }
    }
  }
  return [stated, lists];
}

/** What no other list has the digest of: the list of lists, there and with all its lines. @param {Stated} lists @returns {Row[]} */
function listOfLists(lists) {
  const [named, sums] = [lists.get(TAG_MANIFEST), lists.get(SUMS)];
  if (!named) return [{ path: TAG_MANIFEST, state: "missing", note: "every volume has it" }];
  const lacking = sums && [SUMS, ...sums].find((path) => !path.startsWith("data/") && !named.has(path));
  return lacking ? [{ path: TAG_MANIFEST, state: "altered", note: `has no line for ${lacking}` }] : [];
}

/**
 * The paths that a chosen file may be: its own, or, of a single file, every listed one of its name.
 * @param {Volume} volume @param {string} path @param {Stated} stated
 */
function candidates(volume, path, stated) {
  if (stated.has(path)) return [path];
  return volume.loose ? [...stated.keys()].filter((listed) => listed.endsWith(`/${path}`)) : [];
}

/**
 * Every row of a volume, the files read one after the other.
 * @param {Volume} volume @param {(path: string) => ((bytes: number) => void)} reading @param {() => boolean} stopped
 */
async function judge(volume, reading, stopped) {
  /** @type {Row[]} */
  const rows = [];
  const [stated, lists] = await statedBy(volume, rows);
  /** @type {Set<string>} */
  const seen = new Set();
  for (const { path, file } of volume.files) {
    if (stopped()) return rows;
    const listed = candidates(volume, path, stated);
    const own = path === SUMS || path === TAG_MANIFEST;
    if (!listed.length && (own || stated.size > 0)) {
      if (!own) rows.push({ path, state: "extra", note: "in no list of the volume" });
      continue;
    }
    try {
      const digest = await digestOf(file, reading(path));
      const row = compared(path, digest, listed, stated, seen);
      rows.push(row);
      for (const name of row.state === "whole" ? [row.path] : listed) seen.add(name);
    } catch (error) {
      listed.forEach((name) => seen.add(name));
      if (!stopped()) rows.push({ path, state: "unreadable", note: String(error) });
    }
  }
  const state = volume.loose ? "not chosen" : "missing";
  for (const path of stated.keys()) {
    if (!seen.has(path)) rows.push({ path, state, note: "a list of the volume names it" });
  }
  if (!volume.loose && stated.has("bagit.txt")) rows.push(...listOfLists(lists));
  return rows.sort((a, b) => ORDER.indexOf(a.state) - ORDER.indexOf(b.state) || (a.path < b.path ? -1 : 1));
}

/**
 * @param {string} path @param {string} digest @param {string[]} listed @param {Stated} stated
 * @param {Set<string>} seen  the listed paths that other files are
 * @returns {Row}
 */
function compared(path, digest, listed, stated, seen) {
  if (!listed.length) return { path, state: "not verified", note: `no list was chosen; its SHA-256 is ${digest}` };
  const same = listed.filter((name) => stated.get(name)?.size === 1 && stated.get(name)?.has(digest));
  const equal = same.find((name) => !seen.has(name)) ?? same[0];
  if (equal !== undefined) return { path: equal, state: "whole", note: "" };
  const wanted = [...new Set(listed.flatMap((name) => [...(stated.get(name) ?? [])]))];
  return { path, state: "altered", note: `its SHA-256 is ${digest}; listed: ${wanted.join(", ")}` };
}

/** The verdict on a volume, and whether it is good. @param {Volume} volume @param {Row[]} rows @returns {[string, boolean]} */
function verdict(volume, rows) {
  const count = (/** @type {State} */ state) => rows.filter((row) => row.state === state).length;
  const name = volume.loose ? "" : `${shown(volume.name)}: `;
  if (count("not verified")) return [`${name}nothing was verified: no list of the volume (${SUMS}) was chosen`, false];
  const whole = counted(count("whole"), "file is", "files are");
  const wrong = ORDER.slice(0, 4).filter(count).map((state) => `${count(state).toLocaleString("en")} ${state}`);
  if (wrong.length) return [`${name}NOT WHOLE: ${wrong.join(", ")}; ${whole} whole`, false];
  if (!count("whole")) return [`${name}nothing was verified: no file of a list was chosen`, false];
  if (!volume.loose) return [`${name}WHOLE: all ${counted(count("whole"), "file", "files")} are what the lists say`, true];
  const rest = count("not chosen");
  return [`${whole} whole${rest ? `; ${counted(rest, "file", "files")} of the list not chosen, so not verified` : ""}`, !rest];
}

/** A table of rows. @param {Row[]} rows @param {string} title */
function table(rows, title) {
  const found = document.createElement("table");
  found.createCaption().textContent = title;
  const head = found.createTHead().insertRow();
  for (const word of ["state", "file", "note"]) {
    const cell = document.createElement("th");
    cell.scope = "col";
    cell.className = word;
    cell.textContent = word;
    head.append(cell);
  }
  const body = found.createTBody();
  for (const row of rows.slice(0, SHOWN)) {
    const line = body.insertRow();
    const state = line.insertCell();
    state.textContent = row.state;
    state.className = `state ${row.state === "whole" ? "good" : row.state === "not chosen" ? "" : "bad"}`;
    for (const text of [row.path, row.note]) line.insertCell().textContent = shown(text);
  }
  if (rows.length > SHOWN) found.createTFoot().insertRow().insertCell().textContent = `and ${rows.length - SHOWN} more`;
  return found;
}

/** @param {Volume} volume @param {Row[]} rows */
function show(volume, rows) {
  const [text, good] = verdict(volume, rows);
  const line = document.createElement("p");
  line.textContent = text;
  line.className = good ? "good" : "bad";
  element("verdict").append(line);
  const wrong = rows.filter((row) => row.state !== "whole");
  const whole = rows.filter((row) => row.state === "whole");
  const name = volume.loose ? "Single files" : shown(volume.name);
  if (wrong.length) element("result").append(table(wrong, `${name}: what is not whole`));
  if (!whole.length) return;
  const more = document.createElement("details");
  const summary = document.createElement("summary");
  summary.textContent = `${name}: ${counted(whole.length, "whole file", "whole files")}`;
  more.append(summary);
  more.addEventListener("toggle", () => more.append(table(whole, "Whole")), { once: true });
  element("result").append(more);
}

/** Verify what was chosen; an earlier run ends. @param {Chosen[]} chosen */
async function verify(chosen) {
  const own = ++run;
  const stopped = () => run !== own;
  element("verdict").replaceChildren();
  element("result").replaceChildren();
  if (!chosen.length) return say("Nothing was chosen, or the folder is empty.");
  const total = chosen.reduce((sum, { file }) => sum + file.size, 0);
  let done = 0;
  let last = 0;
  element("work").hidden = false;
  const reading = (/** @type {string} */ path) => (/** @type {number} */ bytes) => {
    if (stopped()) throw new Error("stopped");
    done += bytes;
    if (performance.now() - last < NEXT_MS) return;
    last = performance.now();
    /** @type {HTMLProgressElement} */ (element("progress")).value = total ? done / total : 1;
    element("now").textContent = `${Math.floor((100 * done) / (total || 1))} %: ${shown(path)}`;
  };
  for (const volume of volumesOf(chosen)) {
    const rows = await judge(volume, reading, stopped);
    if (stopped()) return;
    show(volume, rows);
  }
  element("work").hidden = true;
}

/** @param {string} text */
function say(text) {
  const line = document.createElement("p");
  line.className = "bad";
  line.textContent = text;
  element("verdict").append(line);
}

/** The files below a dropped folder. @param {any} handle @param {string} path @returns {AsyncGenerator<Chosen>} */
async function* below(handle, path) {
  if (handle.kind === "file") yield { path, file: await handle.getFile() };
  else for await (const [name, inner] of handle.entries()) yield* below(inner, `${path}/${name}`);
}

/** The same where a browser has only the older way. @param {any} entry @returns {AsyncGenerator<Chosen>} */
async function* belowEntry(entry) {
  if (entry.isFile) {
    const file = await new Promise((resolve, reject) => entry.file(resolve, reject));
    return yield { path: entry.fullPath.slice(1), file };
  }
  const reader = entry.createReader();
  for (;;) {
    /** @type {any[]} */
    const found = await new Promise((resolve, reject) => reader.readEntries(resolve, reject));
    if (!found.length) return;
    for (const inner of found) yield* belowEntry(inner);
  }
}

/** @param {DataTransfer} data */
async function dropped(data) {
  const items = [...data.items].filter((item) => item.kind === "file");
  const walks = items.map((/** @type {any} */ item) => {
    if (!item.getAsFileSystemHandle) return belowEntry(item.webkitGetAsEntry());
    const handle = item.getAsFileSystemHandle(); // asked for now: after an await the browser has forgotten it
    return (async function* () {
      const found = await handle;
      yield* below(found, found.name);
    })();
  });
  /** @type {Chosen[]} */
  const chosen = [];
  for (const walk of walks) for await (const file of walk) chosen.push(file);
  return chosen;
}

for (const id of ["folder", "files"]) {
  const input = /** @type {HTMLInputElement} */ (element(id));
  input.addEventListener("change", () => {
    const chosen = [...(input.files ?? [])].map((file) => ({ path: file.webkitRelativePath || file.name, file }));
    input.value = ""; // the same folder again is a new choice
    void verify(chosen);
  });
}
element("stop").addEventListener("click", () => {
  run += 1;
  element("work").hidden = true;
  say("Stopped before the end: what was not read was not verified.");
});
document.addEventListener("dragover", (event) => {
  event.preventDefault();
  document.body.classList.add("over");
});
document.addEventListener("dragleave", () => document.body.classList.remove("over"));
document.addEventListener("drop", (event) => {
  event.preventDefault();
  document.body.classList.remove("over");
  if (!event.dataTransfer) return;
  dropped(event.dataTransfer).then(verify, () => {
    element("verdict").replaceChildren();
    say("This browser cannot read what was dropped: use the buttons.");
  });
});
