// Keeps the page up to date from the stream of events. Sends nothing that a form could not; without it the page is still whole.
"use strict";

const csrf = document.body.dataset.csrf;
const find = (what, from = document) => from.querySelector(what);
const each = (what, act, from = document) => from.querySelectorAll(what).forEach(act);

// Numbers and times, as the daemon writes them.
function digits(value, significant) {
  if (value === null || value === undefined || !Number.isFinite(value)) return "–";
  if (value === 0) return "0";
  const magnitude = Math.floor(Math.log10(Math.abs(value)));
  if (magnitude < -6 || magnitude >= 9) return value.toExponential(significant - 1).replaceAll("-", "−");
  return value.toFixed(Math.max(0, significant - 1 - magnitude)).replaceAll("-", "−");
}

function lasts(seconds) {
  if (seconds === null || seconds === undefined) return "–";
  const whole = Math.max(0, Math.round(seconds));
  const [h, min, s] = [Math.floor(whole / 3600), Math.floor(whole / 60) % 60, whole % 60];
  const two = (n) => String(n).padStart(2, "0");
  if (h > 0) return `${h} h ${two(min)} min`;
  return min > 0 ? `${min} min ${two(s)} s` : `${s} s`;
}

// Instants come in UTC and are shown in the reader's zone.
function localTimes(from = document) {
  each("time[datetime]", (time) => {
    const at = new Date(time.dateTime);
    if (Number.isNaN(at.getTime()) || time.title) return;
    time.title = time.textContent;
    time.textContent = at.toLocaleString(undefined, { dateStyle: "medium", timeStyle: "medium" });
  }, from);
}

function say(text, lasting = 8000) {
  const said = find("#said");
  said.textContent = text;
  said.hidden = false;
  clearTimeout(say.timer);
  say.timer = setTimeout(() => { said.hidden = true; }, lasting);
}

function ask(path, body, headers = {}, signal = undefined) {
  const all = { ...headers, Accept: "application/json" };
  if (csrf) all["X-Csrf-Token"] = csrf;
  if (body !== undefined) all["Content-Type"] = "application/json";
  return fetch(path, { method: "POST", headers: all, body: body === undefined ? undefined : JSON.stringify(body), signal });
}

// The stop: sent at once, and what came of it is said loudly, at a place of its own that nothing else is written to. Where the
// script can't, the form itself is sent. The daemon answers within 30 s, in words, even where the run does not.
const STOP_LATE = 3000;
const STOP_GIVEN_UP = 40000;
let pressed = 0;
function sayOfStop(text, isBad) {
  const said = find("#stop-said");
  said.textContent = text;
  said.hidden = false;
  said.classList.toggle("bad", isBad);
}

function stops() {
  each("form[data-stop]", (form) => form.addEventListener("submit", async (event) => {
    event.preventDefault();
    // Who presses again wants to know what came of that.
    pressed += 1;
    const mine = pressed;
    const tell = (text, isBad) => { if (mine === pressed) sayOfStop(text, isBad); };
    tell("Stop is on its way …", false);
    const late = setTimeout(() => tell("No answer yet: use the emergency stop.", true), STOP_LATE);
    try {
      const answer = await ask("/api/v1/stop", undefined, {}, AbortSignal.timeout(STOP_GIVEN_UP));
      const told = await answer.json();
      clearTimeout(late);
      if (!answer.ok) tell(`NOT STOPPED: ${told.detail}. Use the emergency stop.`, true);
      else if (told.at_rest !== true) tell(`NOT STOPPED: ${told.message}`, true);
      else {
        tell(`Stopped: ${told.message}`, false);
        setTimeout(() => { if (mine === pressed) find("#stop-said").hidden = true; }, 60000);
      }
    } catch {
      clearTimeout(late);
      tell("NO ANSWER from the daemon. Use the emergency stop.", true);
    }
  }));
}

// What a moment says, into the places that name its fields.
let lastMoment = 0;
const clock = (at) => new Date(at).toLocaleTimeString(undefined, { timeStyle: "medium" });

// Figures of a run that are not of now are grey, and say since when.
function stale(is) {
  const panel = find("#moment");
  if (panel) {
    panel.classList.toggle("stale", is);
    const words = find(".no-news", panel);
    words.hidden = !is;
    words.textContent = is && lastMoment ? `These figures are of ${clock(lastMoment)}.` : "No figures come.";
  }
  find(".state[data-running]")?.classList.toggle("aged", is);
}

function show(moment) {
  lastMoment = Date.now();
  const panel = find("#moment");
  if (!panel) return;
  panel.hidden = false;
  stale(false);
  each("[data-moment]", (place) => {
    let value = moment[place.dataset.moment];
    if (typeof value === "number" && place.dataset.digits) {
      value = digits(value * Number(place.dataset.scale || 1), Number(place.dataset.digits));
    }
    place.textContent = value === null || value === undefined ? "–" : String(value).replaceAll("_", " ");
  }, panel);
  // Of a trip the daemon tells apart from moments, which may go on for a while.
  const state = find(".state[data-running]:not(.bad)");
  if (state) {
    const waits = Boolean(moment.waits_for) || moment.phase === "paused";
    find(".word", state).textContent = waits ? "Paused" : "Running";
    state.classList.toggle("warn", waits);
    state.classList.toggle("good", !waits);
  }
  each("[data-shown]", (place) => { place.hidden = !moment[place.dataset.shown]; }, panel);
  each("[data-time]", (place) => { place.textContent = lasts(moment[place.dataset.time]); }, panel);
  each("[data-bar]", (bar) => {
    const [value, of] = [moment[bar.dataset.bar], moment[bar.dataset.of]];
    const share = value > 0 && of > 0 ? value / of : 0;
    const isTarget = bar.classList.contains("target");
    find(".fill", bar).setAttribute("width", String(Math.min(100, (share / Number(bar.dataset.full)) * 100)));
    bar.classList.toggle("near", !isTarget && share > 0.9 && share <= 1);
    bar.classList.toggle("over", isTarget ? share > 1.1 : share > 1);
  }, panel);
}

// Parts of the page that the daemon renders again when something happened. What somebody is filling in is left alone.
const waiting = new Map();
function renew(part) {
  if (waiting.has(part)) return;
  waiting.set(part, setTimeout(async () => {
    waiting.delete(part);
    const busy = part.contains(document.activeElement) && document.activeElement.matches("input, textarea, select");
    if (busy || find("details[open]", part)) {
      renew(part);
      return;
    }
    try {
      const answer = await fetch(part.dataset.part);
      if (answer.status === 401) location.reload();
      if (!answer.ok) return;
      const text = await answer.text();
      const had = part.contains(document.activeElement) ? document.activeElement : null;
      part.innerHTML = text;
      localTimes(part);
      mending(part);
      if (had) focusAgain(part, had);
      const state = find(".state", part);
      if (state && !state.dataset.running && find("#moment")) find("#moment").hidden = true;
    } catch { /* The stream says when the daemon is there again. */ }
  }, 150));
}

// Whoever goes by the keyboard stays where they were, though what stood there was put in anew.
function focusAgain(part, had) {
  const marks = (it) => [
    it.id, it.name, it.getAttribute("href"), it.form?.getAttribute("action"), it.textContent,
    // What rows call alike is told apart by the job's number.
    it.closest("li")?.querySelector(".number")?.textContent,
  ].join("\n");
  const wanted = marks(had);
  const again = [...part.querySelectorAll(had.tagName)].find((it) => marks(it) === wanted);
  if (!again) part.tabIndex = -1;
  (again ?? part).focus({ preventScroll: true });
}

// Forms of a part go back to the page they are on, not to the part.
function mending(part) {
  each("input[name=back]", (field) => { field.value = location.pathname; }, part);
}

// Longer without any sign of the daemon, and what is shown may be old: it gives one every 15 s at least.
const SILENCE = 35000;
let lastSign = Date.now();
let lost = false;

// Says so for as long as it is so, and since when.
function ages() {
  const isOld = lost || Date.now() - lastSign > SILENCE;
  const old = find("#old");
  const text = `OLD: no sign of the daemon since ${clock(lastSign)}. What is shown may be wrong by now. Trying again …`;
  // Written once: it is read aloud whenever it changes.
  if (isOld && old.hidden) old.textContent = text;
  old.hidden = !isOld;
  document.body.classList.toggle("is-old", isOld);
  const runs = find(".state[data-running]");
  stale(isOld || Boolean(runs && lastMoment && Date.now() - lastMoment > 5000));
}

// A stream ends each hour and is opened again at once: only one that stays away so long tells of a daemon that does.
const AWAY = 3000;
let away = 0;
let stream;

function listen() {
  stream?.close();
  const own = new EventSource("/api/v1/news");
  stream = own;
  const sign = () => {
    lastSign = Date.now();
    ages();
  };
  stream.addEventListener("alive", sign);
  stream.addEventListener("moment", (event) => {
    show(JSON.parse(event.data).body);
    sign();
  });
  for (const kind of ["point", "rig", "queue", "began", "ended"]) {
    stream.addEventListener(kind, () => {
      sign();
      each("[data-part]", (part) => { if (part.dataset.on.split(" ").includes(kind)) renew(part); });
    });
  }
  stream.onerror = () => {
    away ||= setTimeout(() => {
      lost = true;
      ages();
    }, AWAY);
    if (own.readyState !== EventSource.CLOSED) return;
    // Refused: too many look on, or nobody is logged in any more. A part that is asked for says which, and what is being typed stays.
    setTimeout(() => {
      if (stream !== own) return;
      each("[data-part]", renew);
      listen();
    }, 10000);
  };
  stream.onopen = () => {
    clearTimeout(away);
    away = 0;
    // What happened between the page and the stream was told to nobody here.
    each("[data-part]", renew);
    if (lost) say("The daemon answers again.");
    lost = false;
    sign();
  };
}

function live() {
  if (!find("[data-live]")) return;
  listen();
  let tried = Date.now();
  setInterval(() => {
    ages();
    // A connection that is cut without a word never errs by itself.
    if (!lost && Date.now() - Math.max(lastSign, tried) > SILENCE) {
      tried = Date.now();
      listen();
    }
  }, 1000);
}

// Handing in: files are read here and sent as texts, by the names by which the job names them.
async function texts(job, files) {
  const named = {};
  const quoted = [...job.matchAll(/"([^"\n]*)"/g)].map((match) => match[1]);
  for (const file of files) {
    const name = quoted.find((text) => text === file.name || text.endsWith(`/${file.name}`)) || file.name;
    named[name] = await file.text();
  }
  return named;
}

function submits() {
  const form = find("form[data-submit]");
  if (!form) return;
  let key = crypto.getRandomValues(new Uint32Array(4)).join("-");
  const said = find("#submit-said");
  const tell = (kind, text) => {
    const part = document.createElement(text.includes("\n") ? "pre" : "p");
    part.className = kind;
    part.textContent = text;
    said.replaceChildren(part);
  };
  form.addEventListener("change", () => { key = crypto.getRandomValues(new Uint32Array(4)).join("-"); });
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    const [file] = find("#job-file").files;
    const job = await file.text();
    const body = {
      name: find("#job-name").value.trim() || file.name.replace(/\.toml$/, ""),
      job,
      files: await texts(job, find("#other-files").files),
    };
    if (find("#seed")?.value) body.seed = Number(find("#seed").value);
    if (find("#faults-file")?.files.length) body.faults = await find("#faults-file").files[0].text();
    tell("hint", "Checking …");
    try {
      const answer = await ask("/api/v1/jobs", body, { "Idempotency-Key": key });
      const told = await answer.json();
      if (answer.ok) location.assign("/queue");
      else tell("wrong", told.detail);
    } catch {
      tell("wrong", "The daemon does not answer. Hand in again: with the same files there is no second job.");
    }
  });
}

localTimes();
stops();
live();
submits();
