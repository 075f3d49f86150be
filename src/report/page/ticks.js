// Keeps the ticks: in the workbench's store where the page is shown there, else in the browser, where it allows that.
(() => {
  "use strict";
  const boxes = [...document.querySelectorAll("input[data-box]")];
  if (boxes.length === 0) return;
  const say = JSON.parse(document.getElementById("explore-data").textContent).words;
  const sendTo = document.body.dataset.ticks;
  const key = `patency ticks ${document.querySelector("main").dataset.record || location.pathname}`;
  const note = document.createElement("p");
  note.className = "note";
  note.setAttribute("role", "status");
  boxes[boxes.length - 1].closest("ol").after(note);
  if (sendTo) {
    const send = async (box) => {
      const body = new URLSearchParams({ box: box.dataset.box, ticked: box.checked ? "1" : "0" });
      let kept = false;
      try { kept = (await fetch(sendTo, { method: "POST", body })).ok; } catch { kept = false; }
      if (!kept) box.checked = !box.checked;
      note.textContent = kept ? "" : say.tick_not_kept;
    };
    boxes.forEach((box) => box.addEventListener("change", () => send(box)));
    return;
  }
  try {
    const kept = new Set(JSON.parse(localStorage.getItem(key) || "[]"));
    boxes.forEach((box) => { if (kept.has(box.dataset.box)) box.checked = true; });
  } catch { /* what cannot be read is not there */ }
  const keep = () => {
    try {
      localStorage.setItem(key, JSON.stringify(boxes.filter((b) => b.checked).map((b) => b.dataset.box)));
    } catch {
      note.textContent = say.ticks_not_kept;
    }
  };
  boxes.forEach((box) => box.addEventListener("change", keep));
})();
