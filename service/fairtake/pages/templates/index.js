"use strict";
// Filter, sort, and stay current. What was chosen is kept in the address, so that it outlives a reload.
(() => {
  const RELOAD_S = 20, QUIET_S = 20;
  const words = document.getElementById("words"), state = document.getElementById("state");
  const fresh = document.getElementById("fresh"), count = document.getElementById("count");
  const life = document.getElementById("life"), list = document.getElementById("list");
  const body = list.tBodies[0], rows = [...body.rows];
  const buttons = [...list.querySelectorAll("th button")];
  const numeric = ["at", "length", "level", "floor"];
  let key = "", down = true;

  function keep() {
    const chosen = new URLSearchParams({ words: words.value, state: state.value, key, down: down ? "1" : "", fresh: fresh.checked ? "1" : "" });
    history.replaceState(null, "", `#${chosen}`);
  }
  function filter() {
    const wanted = words.value.trim().toLocaleLowerCase();
    let left = 0;
    for (const row of rows) {
      const named = `${row.dataset.name}\n${row.dataset.title}`.toLocaleLowerCase().includes(wanted);
      const is = state.value === "look" ? row.dataset.look === "yes" : !state.value || row.dataset.state === state.value;
      row.hidden = !(named && is);
      left += !row.hidden;
    }
    count.textContent = left === rows.length ? `${left} takes.` : `${left} of ${rows.length} takes.`;
  }
  function sort() {
    if (!key) return;
    const value = (row) => row.dataset[key];
    const unknown = (row) => value(row) === "" || (numeric.includes(key) && value(row) === "0");
    const least = (a, b) => numeric.includes(key) ? Number(value(a)) - Number(value(b))
      : value(a).localeCompare(value(b), undefined, { numeric: true });
    // What has no value stands last, whichever way it goes.
    rows.sort((a, b) => unknown(a) - unknown(b) || (down ? -1 : 1) * least(a, b));
    body.append(...rows);
    for (const button of buttons) {
      const head = button.closest("th");
      if (button.dataset.key === key) head.setAttribute("aria-sort", down ? "descending" : "ascending");
      else head.removeAttribute("aria-sort");
    }
  }
  function tell() {
    const ago = Math.max(0, Math.round(Date.now() / 1000 - Number(life.dataset.at)));
    const said = ago < 120 ? `${ago} s` : ago < 7200 ? `${Math.round(ago / 60)} min` : ago < 172800 ? `${Math.round(ago / 3600)} h` : `${Math.round(ago / 86400)} days`;
    const dead = ago > Number(life.dataset.deadAfter);
    const text = life.dataset.ended ? `The service was stopped in good order ${said} ago.`
      : dead ? `The service has not been heard from for ${said}: it does not run, or this folder is cut off from it.`
      : "The service lives.";
    if (life.textContent !== text) life.textContent = text;
    life.className = dead && !life.dataset.ended ? "miss" : "";
  }
  // Nobody's place on the page is lost while they read it.
  let touched = -Infinity;
  for (const kind of ["keydown", "pointermove", "pointerdown", "scroll", "focusin"])
    addEventListener(kind, () => { touched = performance.now(); }, { passive: true });
  function reload() {
    const busy = performance.now() - touched < 1000 * QUIET_S;
    if (fresh.checked && !busy && !document.hidden) location.reload();
    else setTimeout(reload, 1000 * RELOAD_S);
  }

  const was = new URLSearchParams(location.hash.slice(1));
  if (was.has("words")) {
    words.value = was.get("words"); state.value = was.get("state"); fresh.checked = was.get("fresh") === "1";
    key = was.get("key"); down = was.get("down") === "1";
  }
  for (const button of buttons) button.addEventListener("click", () => {
    down = key === button.dataset.key ? !down : button.dataset.key === "at" || button.dataset.key === "night";
    key = button.dataset.key; sort(); keep();
  });
  for (const input of [words, state, fresh]) for (const kind of ["input", "change"]) input.addEventListener(kind, () => { filter(); keep(); });
  filter(); sort(); tell();
  setInterval(tell, 5000);
  setTimeout(reload, 1000 * RELOAD_S);
})();
