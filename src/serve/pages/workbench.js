// Little helpers: files dropped anywhere, how much of them was sent, how far a record is. All pages work without.
(() => {
  "use strict";
  const form = document.getElementById("upload");
  if (form) {
    const input = document.getElementById("file"), says = document.getElementById("upload-says");
    const bar = document.getElementById("sent"), drop = form.querySelector(".drop"), button = form.querySelector("button");
    const carriesFiles = (event) => [...(event.dataTransfer?.types ?? [])].includes("Files");
    addEventListener("dragover", (event) => { if (carriesFiles(event)) { event.preventDefault(); drop.classList.add("over"); } });
    addEventListener("dragleave", (event) => { if (!event.relatedTarget) drop.classList.remove("over"); });
    addEventListener("drop", (event) => {
      if (!carriesFiles(event)) return;
      event.preventDefault();
      drop.classList.remove("over");
      input.files = event.dataTransfer.files;
      says.textContent = [...input.files].map((f) => f.name.slice(0, 80)).join(", ");
      button.focus();
    });
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      if ([...input.files].reduce((sum, f) => sum + f.size, 0) > Number(form.dataset.most)) {
        says.textContent = form.dataset.tooLarge;
        return;
      }
      const request = new XMLHttpRequest();
      const idle = (text) => { button.disabled = false; bar.hidden = true; says.textContent = text; };
      button.disabled = true;
      bar.hidden = false;
      says.textContent = form.dataset.sending;
      request.upload.addEventListener("progress", (e) => { if (e.lengthComputable) bar.value = 100 * e.loaded / e.total; });
      request.addEventListener("error", () => idle(form.dataset.notSent));
      request.addEventListener("load", () => {
        const place = request.getResponseHeader("X-Record");
        if (place) { location.href = place; return; }
        const page = new DOMParser().parseFromString(request.responseText, "text/html");
        idle([...page.querySelectorAll("main .problem, main .first, main > p:only-of-type")].map((p) => p.textContent.trim()).join(" "));
      });
      request.open("POST", form.action);
      request.setRequestHeader("X-By-Script", "1");
      request.send(new FormData(form));
    });
  }
  const busy = document.getElementById("busy");
  if (busy) {
    const bar = busy.querySelector("progress"), says = document.getElementById("busy-says");
    const look = async () => {
      try {
        const now = await (await fetch(busy.dataset.progress)).json();
        if (now.state !== busy.dataset.state && !(now.busy && busy.dataset.state !== "reading")) { location.reload(); return; }
        if (says.textContent !== now.says) says.textContent = now.says;
        if (now.percent === null) bar.removeAttribute("value"); else bar.value = now.percent;
      } catch { says.textContent = busy.dataset.silent; }
      setTimeout(look, 500);
    };
    setTimeout(look, 300);
  }
})();
