// What the pages of a phone share: its memory, keys, what is said, and what is sent.
"use strict";
const phone = (function () {
  const TIMEOUT = 4000, PHOTO_TIMEOUT = 60000;
  const base = document.currentScript.src.replace(/phone\.js$/, "");
  const $ = (id) => document.getElementById(id);
  const data = JSON.parse($("data").textContent);

  function read(name, otherwise, place = "localStorage") {
    try { return JSON.parse(window[place].getItem(name)) || otherwise; } catch { return otherwise; }
  }
  // A private window may refuse to keep things: then what is typed waits in the page alone.
  function keep(name, value, place = "localStorage") {
    try { window[place].setItem(name, JSON.stringify(value)); return true; } catch { return false; }
  }
  function forget(name) {
    try { localStorage.removeItem(name); } catch { /* it keeps nothing */ }
  }
  function newKey() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
  }
  function say(text, kind) {
    $("said").hidden = !text; $("said").textContent = text;
    $("said").className = "note " + (kind || "");
  }
  async function post(path, body) {
    const stop = new AbortController();
    const picture = body instanceof Blob;
    const timer = setTimeout(() => stop.abort(), picture ? PHOTO_TIMEOUT : TIMEOUT);
    try {
      const answer = await fetch(base + path, {
        method: "POST", headers: { "Content-Type": picture ? "image/jpeg" : "application/json" },
        body: picture ? body : JSON.stringify(body), signal: stop.signal, cache: "no-store",
      });
      const reply = await answer.json().catch(() => null);
      // What is not understood is tried again, as a fault that may pass.
      return { status: reply ? answer.status : 503, reply: reply || {
        error: "The computer no longer knows this link, "
        + "or something in between changes what is sent. Open the link it shows now "
        + "on this phone; what is waiting here is then sent." } };
    } finally { clearTimeout(timer); }
  }
  return { data, base, $, read, keep, forget, newKey, say, post };
})();
