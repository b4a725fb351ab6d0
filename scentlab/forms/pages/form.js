// The browser's part of a form in a notebook. It keeps the notebook's single-key commands away
// while the form has the focus (a stray x would delete the form's cell), gives names and states
// to the controls, and turns each tap into a message that the kernel must acknowledge. Where pieces
// are graded the keys 0 to 4 are taps on the grades, where they are smelt 0 to 10 on the throws.
const TIMEOUT = 4000;
// The second tap of a double tap would meet the next piece. By a clock that nobody sets.
const DOUBLE_TAP = 600, SWAP = 20000;
const TEN = 700;  // so long a typed 1 waits for a 0

function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  return Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
}
function nameOf(element, start) {
  const found = Array.from(element.classList).find((c) => c.startsWith(start));
  return found ? found.slice(start.length) : null;
}
// A finger that slips hits the neighbour: all grades, and all scores of throw, count as one button.
function kindOf(name) {
  return name.replace(/^(grade|throw)-\d+$/, "$1");
}

export default {
  render({ model, el }) {
    const banner = document.createElement("div");
    banner.setAttribute("role", "alert");
    banner.className = "scent-banner";
    const clock = document.createElement("div");
    clock.setAttribute("role", "timer");
    clock.className = "scent-clock";
    el.append(banner, clock);
    // A note that goes by itself; what the kernel answers does not wipe it away unread.
    let told = "", going = null;
    function tell(words) {
      clearTimeout(going);
      banner.textContent = told = words;
      banner.scrollIntoView({ block: "nearest" });
      going = setTimeout(() => { if (banner.textContent === words) banner.textContent = ""; }, 4000);
    }
    let form = null, pending = null, saves = false, timer = null, tapped = -Infinity, last = "", one = null,
      away = false, place = null;

    function label() {
      if (!form) return;
      const names = model.get("names"), pressed = model.get("pressed");
      form.setAttribute("aria-busy", pending ? "true" : "false");  // a tap is on its way
      for (const button of form.querySelectorAll("button[class*='scent-press-']")) {
        const name = nameOf(button, "scent-press-");
        if (names[name]) button.setAttribute("aria-label", names[name]);
        const on = pending ? pending.press === name : pressed.includes(name);
        button.setAttribute("aria-pressed", on ? "true" : "false");
      }
      for (const box of form.querySelectorAll("[class*='scent-field-']")) {
        const input = box.querySelector("input, select, [role='slider']");
        const name = nameOf(box, "scent-field-");
        if (input && names[name]) input.setAttribute("aria-label", names[name]);
        const said = box.querySelector(".widget-readout");
        if (said) input.setAttribute("aria-valuetext", said.textContent);
      }
      for (const said of form.querySelectorAll(".scent-message")) {
        said.setAttribute("aria-live", "polite");
      }
    }
    function fields() {
      const values = {};
      for (const box of form.querySelectorAll("[class*='scent-field-']")) {
        const input = box.querySelector("input");
        if (input) values[nameOf(box, "scent-field-")] = input.value;
      }
      return values;
    }
    function send() {
      // The watch is set first: with the kernel gone the sending itself may fail.
      timer = setTimeout(() => {
        banner.textContent = saves
          ? "NOT SAVED. The kernel does not answer. This is sent again automatically; if the kernel was "
            + "restarted, run this cell again and repeat the last entry."
          : "The kernel is busy or gone. There was nothing to save; the tap is sent again automatically. "
            + "If the kernel was restarted, run this cell again.";
        send();
      }, TIMEOUT);
      post(pending);
    }
    function post(message) {
      try {
        model.send(message);
      } catch (error) {
        console.warn("The kernel cannot be reached.", error);
      }
    }
    // A page that comes back into sight, in the browser or among JupyterLab's tabs, says so.
    function sight() {
      const was = away;
      away = document.hidden || form.offsetParent === null;
      if (was && !away && form.querySelector("button.scent-press-again")) post({ seen: true });
    }
    // A grade by its key, a throw by its digits: 1 waits a moment for the 0 of 10.
    function tap(kind, place) {
      const button = form.querySelector(`button.scent-press-${kind}-${place}`);
      if (button) button.click();
    }
    function scored(key) {
      if (!form.querySelector("button.scent-press-throw-10")) tap("grade", key);
      else if (one) {
        clearTimeout(one);
        one = null;
        tap("throw", key === "0" ? 10 : 1);
      } else if (key === "1") {
        one = setTimeout(() => { one = null; tap("throw", 1); }, TEN);
      } else tap("throw", key);
    }
    function keyed(event) {
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      event.stopPropagation();
      const typing = event.target.matches("input, select, textarea");
      if (/^\d$/.test(event.key) && !typing && !event.repeat) scored(event.key);
      // A key held down on a button taps it again and again.
      if (event.repeat && event.target.tagName === "BUTTON") event.preventDefault();
    }
    function press(event) {
      const button = event.target.closest("button[class*='scent-press-']");
      if (!button) return;
      event.stopImmediatePropagation();
      event.preventDefault();
      if (button.disabled) return;
      const name = nameOf(button, "scent-press-");
      if (performance.now() - tapped < DOUBLE_TAP && kindOf(name) === kindOf(last)) {
        tell("Two taps at once: counted as one.");
        return;
      }
      if (pending) {
        // Not kept for later: the piece on the screen may change when the answer comes.
        if (!banner.textContent) {
          tell("Not taken: the entry before it was still being saved. Check the piece, then tap again.");
        }
        return;
      }
      tapped = performance.now();
      place = form.closest(".jp-OutputArea-output");
      last = name;
      banner.textContent = "";
      saves = button.classList.contains("scent-saves");
      pending = { press: name, key: newKey(), fields: fields() };
      label();
      send();
    }
    function heard(message) {
      if (message.focus) focusField(message.focus);
      if (!pending || message.ack !== pending.key) return;
      clearTimeout(timer);
      pending = null;
      post({ acked: message.ack });  // behind all that was typed before the tap
      if (banner.textContent !== told) banner.textContent = "";
      label();
      setTimeout(bringIntoView, 200);
    }
    // Where the next card is typed; on a phone the keyboard would hide what is to be weighed.
    function focusField(name) {
      const input = form && form.querySelector(`.scent-field-${name} input`);
      if (input && matchMedia("(pointer: fine)").matches) input.focus({ preventScroll: true });
    }
    // Where pieces are scored the keys are scores from the start, not after a click into the form.
    function takeKeys(tries) {
      if (!form.querySelector("button.scent-press-grade-0, button.scent-press-throw-0")) return;
      if (form.offsetParent === null) {
        if (tries) setTimeout(() => takeKeys(tries - 1), 100);
      } else if (form.closest(".scent-page") // in a notebook of one's own the next cell has them
          && !document.activeElement?.matches("input, select, textarea")) {
        form.focus({ preventScroll: true });
      }
    }
    // A form that another takes the place of must not leave the keys to nobody.
    function passKeys() {
      const next = place && place.querySelector(".scent-form");
      if (!next || performance.now() - tapped > SWAP || document.activeElement !== document.body) return;
      next.tabIndex = -1;
      next.dataset.lmSuppressShortcuts = "true";
      next.focus();
    }
    // A form that has shrunk must not leave its answer out of sight.
    function bringIntoView() {
      const said = form && form.querySelector(".scent-message");
      if (said && said.textContent.trim()) said.scrollIntoView({ block: "nearest" });
    }
    function tick() {
      const since = model.get("since");
      const seconds = Math.max(0, Math.floor((Date.now() - since) / 1000));
      const shown = Math.floor(seconds / 60) + ":" + String(seconds % 60).padStart(2, "0");
      clock.textContent = since ? shown + " on the warmer" : "";
    }
    // The form's element is put into the page after its parts, so wait for it.
    const seek = setInterval(() => {
      form = el.closest(".scent-form");
      if (!form) return;
      clearInterval(seek);
      form.dataset.lmSuppressShortcuts = "true";
      form.tabIndex = -1;  // a click beside the buttons gives the keys to the form, not to the cell
      form.addEventListener("keydown", keyed);
      form.addEventListener("click", press, true);
      watcher.observe(form, { childList: true, subtree: true });
      sized.observe(form);
      document.addEventListener("visibilitychange", sight);
      label();
      takeKeys(20);
    }, 30);
    const watcher = new MutationObserver(label), sized = new ResizeObserver(sight);
    const ticker = setInterval(tick, 500);
    model.on("msg:custom", heard);
    model.on("change:names change:pressed", label);
    return () => {
      clearInterval(seek); clearInterval(ticker); clearTimeout(timer); clearTimeout(one);
      clearTimeout(going); watcher.disconnect(); sized.disconnect();
      document.removeEventListener("visibilitychange", sight);
      model.off("msg:custom", heard);
      model.off("change:names change:pressed", label);
      if (form) {
        setTimeout(passKeys, 300);
        form.removeEventListener("keydown", keyed);
        form.removeEventListener("click", press, true);
      }
    };
  },
};
