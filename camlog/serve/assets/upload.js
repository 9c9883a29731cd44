// The place where a file is handed in: the file field in the page's #take-in, which is a drop target too. A file goes to the
// server as it is, in one request of raw bytes, so that a large one needs no memory here.
(() => {
  "use strict";
  const make = (tag, attributes = {}, text = "") => {
    const node = Object.assign(document.createElement(tag), attributes);
    if (text) node.textContent = text;
    return node;
  };
  const megabytes = (bytes) => (bytes / 1e6).toFixed(bytes < 1e8 ? 1 : 0) + " MB";
  // Recordings before what belongs to them.
  const rank = (file) => (/\.(json|toml)$/i.test(file.name) ? 1 : 0);
  const place = document.getElementById("take-in"), field = document.getElementById("take-in-file");
  const said = document.getElementById("take-in-said");
  let busy = false;

  async function take(files) {
    if (busy || !files.length) return;
    busy = true;
    const limit = Number(place.dataset.limit), done = [];
    said.replaceChildren();
    try {
      for (const file of files.sort((a, b) => rank(a) - rank(b))) {
        const line = make("li"), state = make("b", {}, "waiting");
        line.append(make("span", { className: "file-name" }, file.name + ": "), state);
        said.append(line);
        if (limit && file.size > limit) { refuse(line, state, "too large: at most " + megabytes(limit)); continue; }
        if (!file.size) { refuse(line, state, "is empty"); continue; }
        const answer = await send(file, line, state);
        if (answer.error) refuse(line, state, answer.error);
        else { state.textContent = "taken in as " + answer.name; line.className = "good"; done.push(answer); }
      }
    } finally { busy = false; }
    const next = done.filter((answer) => answer.next !== "/recordings");
    if (files.length === done.length && next.length === 1) { location.assign(next[0].next); return; }
    for (const answer of next) {
      said.append(make("li"));
      said.lastChild.append(make("a", { href: answer.next, className: "main" }, "Go to " + answer.name));
    }
  }

  function refuse(line, state, why) {
    line.querySelector("progress")?.remove();
    line.className = "bad";
    state.textContent = "not taken in: " + why;
  }

  function send(file, line, state) {
    return new Promise((resolve) => {
      const request = new XMLHttpRequest(), bar = make("progress", { max: 1, value: 0 });
      bar.setAttribute("aria-label", "Sent so far");
      line.append(bar);
      request.open("POST", "/upload?name=" + encodeURIComponent(file.name));
      request.setRequestHeader("Content-Type", "application/octet-stream");
      request.upload.onprogress = (event) => {
        if (!event.lengthComputable) return;
        bar.value = event.loaded / event.total;
        state.textContent = megabytes(event.loaded) + " of " + megabytes(event.total);
      };
      request.upload.onload = () => { state.textContent = "sent; being looked at"; };
      request.onload = () => {
        bar.remove();
        let answer = null;
        try { answer = JSON.parse(request.responseText); } catch (error) { /* one plain line */ }
        if (answer && (answer.error || (request.status === 200 && answer.name))) resolve(answer);
        else resolve({ error: request.responseText.trim().slice(0, 300) || "the server refused it" });
      };
      request.onerror = () => resolve({ error: "the connection broke off" });
      request.send(file);
    });
  }

  field.addEventListener("change", () => { take([...field.files]); field.value = ""; });
  for (const name of ["dragenter", "dragover"]) place.addEventListener(name, () => place.classList.add("over"));
  place.addEventListener("dragleave", (event) => { if (!place.contains(event.relatedTarget)) place.classList.remove("over"); });
  place.addEventListener("drop", (event) => { place.classList.remove("over"); take([...event.dataTransfer.files]); });
  // A file dropped beside the place must not replace the page.
  for (const name of ["dragenter", "dragover", "drop"]) {
    document.addEventListener(name, (event) => { if (event.dataTransfer && [...event.dataTransfer.types].includes("Files")) event.preventDefault(); });
  }
})();
