// A kitchen timer. When it ends is kept in the kernel, so that another card, another form or the
// page opened anew shows the same time left.
function element(kind, css, words = "") {
  const made = document.createElement(kind);
  made.className = css;
  made.textContent = words;
  return made;
}
function beep() {
  const sound = new AudioContext(), tone = sound.createOscillator();
  tone.frequency.value = 880;
  tone.connect(sound.destination);
  tone.start();
  tone.stop(sound.currentTime + 0.4);
  tone.onended = () => sound.close();
}

export default {
  render({ model, el }) {
    el.classList.add("scent-timer");
    const clock = element("div", "scent-clock");
    clock.setAttribute("role", "timer");
    const label = element("label", "", "Minutes "), box = element("input", "");
    Object.assign(box, { type: "number", min: "0.1", max: "600", step: "any" });
    label.append(box);
    box.setAttribute("aria-label", "Minutes of the timer");
    const start = element("button", "jupyter-button", "Start the timer");
    const more = element("button", "jupyter-button", "1 minute more");
    const stop = element("button", "jupyter-button", "Stop the timer");
    const said = element("div", "scent-time-up");
    said.setAttribute("role", "alert");
    el.append(clock, label, start, more, stop, said);

    function end(ends) {
      model.set("ends", ends);
      model.set("what", ends ? model.get("what") || model.get("now") : "");
      model.save_changes();
      tick();
    }
    let rung = 0;
    function tick() {
      const ends = model.get("ends"), left = Math.ceil((ends - Date.now()) / 1000);
      const shown = Math.floor(Math.abs(left) / 60) + ":"
        + String(Math.abs(left) % 60).padStart(2, "0");
      const what = model.get("what") ? ", begun with " + model.get("what") : "";
      clock.textContent = !ends ? "" : (left > 0 ? shown + " left" : "over since " + shown) + what;
      const up = ends && left <= 0 ? "Time is up" + what + "." : "";
      if (said.textContent !== up) said.textContent = up;
      start.hidden = label.hidden = Boolean(ends);
      more.hidden = stop.hidden = !ends;
      if (up && rung < 3 && left > -10) { rung += 1; beep(); }
    }
    start.addEventListener("click", () => {
      const minutes = Number(box.value);
      rung = 0;
      if (minutes > 0) end(Date.now() + 60000 * minutes);
      else box.focus();
    });
    more.addEventListener("click", () => {
      rung = 0;
      end(Math.max(model.get("ends"), Date.now()) + 60000);
    });
    stop.addEventListener("click", () => end(0));
    const fill = () => { box.value = model.get("minutes"); };
    fill();
    tick();
    model.on("change:minutes", fill);
    model.on("change:ends", tick);
    const ticker = setInterval(tick, 500);
    return () => {
      clearInterval(ticker);
      model.off("change:minutes", fill);
      model.off("change:ends", tick);
    };
  },
};
