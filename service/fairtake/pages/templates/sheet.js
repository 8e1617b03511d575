"use strict";
// Two players in step: the one that is not heard runs along, muted, so that a change has no gap.
(() => {
  const box = document.getElementById("player");
  const finished = document.getElementById("finished");
  const original = document.getElementById("original");
  const play = document.getElementById("play");
  const which = document.getElementById("which");
  const equal = document.getElementById("equal");
  const place = document.getElementById("place");
  const hearing = document.getElementById("hearing");
  const told = (name) => (box.dataset[name] === "" ? null : Number(box.dataset[name]));
  const begins = told("begins"), axis = [told("axisBegin"), told("axisEnd")];
  const STEP_S = 5, DRIFT_S = 0.03;
  let wantsOriginal = false, running = false, at = Math.max(begins, 0);

  const heard = () => (wantsOriginal && original ? original : finished);
  const other = () => (heard() === finished ? original : finished);
  const startOf = (player) => (player === finished ? begins : 0);
  const lengthOf = (player) => (player === finished ? told("finished") : told("take"));
  const clock = (s) => {
    const tenths = Math.round(s * 10), minutes = Math.floor(tenths / 600);
    const rest = ((tenths % 600) / 10).toFixed(1).padStart(4, "0");
    return minutes < 60 ? `${minutes}:${rest}` : `${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}:${rest}`;
  };

  function loudness() {
    const before = told("beforeLufs"), after = told("afterLufs");
    const apart = equal && equal.checked && before !== null && after !== null ? after - before : 0;
    finished.volume = Math.min(1, 10 ** (-apart / 20));
    if (original) original.volume = Math.min(1, 10 ** (apart / 20));
    finished.muted = heard() !== finished;
    if (original) original.muted = heard() !== original;
  }

  // A player outside its own file waits at its edge.
  function inStep(player, exact) {
    if (!player) return;
    const wanted = at - startOf(player);
    if (wanted < 0 || wanted >= lengthOf(player)) { if (!player.paused) player.pause(); return; }
    if (exact || Math.abs(player.currentTime - wanted) > DRIFT_S) player.currentTime = wanted;
    if (running && player.paused) player.play().catch(() => refused(player));
  }

  function refused(player) {
    if (player.error && player === original) hearing.textContent = "This browser cannot play the original.";
  }

  function show() {
    place.textContent = clock(Math.max(at, 0));
    const share = 100 * (at - axis[0]) / (axis[1] - axis[0]);
    for (const line of document.querySelectorAll(".now")) line.style.left = `${Math.min(Math.max(share, 0), 100)}%`;
    play.textContent = running ? "Stop" : "Play";
    hearing.textContent = wantsOriginal ? "Original, as recorded." : "Finished.";
    if (which) { which.setAttribute("aria-pressed", String(wantsOriginal)); }
  }

  function go(to) {
    const player = heard();
    at = Math.min(Math.max(to, startOf(player), axis[0]), startOf(player) + lengthOf(player));
    inStep(finished, true); inStep(original, true); show();
  }

  function start() {
    if (at >= startOf(heard()) + lengthOf(heard()) - 0.05) at = startOf(heard());
    running = true; go(at);
  }
  function stop() { running = false; finished.pause(); if (original) original.pause(); show(); }
  // Where the one that is heard has come to.
  function look() {
    const player = heard();
    if (!player.seeking && !player.paused) at = player.currentTime + startOf(player);
  }

  function change() {
    if (!original) return;
    look();  // or the other would be moved back to where both were at the last look
    inStep(other(), false);
    wantsOriginal = !wantsOriginal;
    loudness(); inStep(heard(), false); show();
  }

  function follow() {
    if (running) {
      if (heard().ended) stop();
      else { look(); inStep(other(), false); show(); }
    }
    setTimeout(follow, 100);
  }

  for (const plot of document.querySelectorAll(".chart:not(.times) .plot")) {
    const line = document.createElement("span");
    line.className = "now";
    plot.append(line);
    plot.addEventListener("click", (event) => {
      const edge = plot.getBoundingClientRect();
      go(axis[0] + (event.clientX - edge.left) / edge.width * (axis[1] - axis[0]));
    });
  }
  for (const button of document.querySelectorAll("button.hear")) {
    button.addEventListener("click", () => {
      if (!wantsOriginal) change();
      running = true; go(Number(button.dataset.at));
    });
  }
  play.addEventListener("click", () => (running ? stop() : start()));
  if (which) which.addEventListener("click", change);
  if (equal) equal.addEventListener("change", loudness);
  if (original) original.addEventListener("error", () => refused(original));
  document.addEventListener("keydown", (event) => {
    if (event.altKey || event.ctrlKey || event.metaKey) return;
    const busy = event.target.closest("button, a, input, select, [tabindex]");
    if (event.key === " " && !busy) { event.preventDefault(); running ? stop() : start(); }
    else if (event.key === "ArrowLeft" && !event.target.closest(".wide")) { event.preventDefault(); go(at - STEP_S); }
    else if (event.key === "ArrowRight" && !event.target.closest(".wide")) { event.preventDefault(); go(at + STEP_S); }
    else if (event.key.toLowerCase() === "o" && !event.target.closest("input")) change();
  });
  loudness(); show(); follow();
})();
