// What the page does by itself: sends dropped captures, listens for changes, draws charts, goes to a line.
"use strict";

(() => {
  const forgery = document.body.dataset.forgery;
  let sending = null;

  // -- captures ---------------------------------------------------------------------------------------
  function refused(says) {
    const place = document.getElementById("refused");
    if (!place) return;
    place.hidden = !says;
    place.textContent = says;
  }

  function shelve(html) {
    const old = document.getElementById("captures");
    old.outerHTML = html;
    htmx.process(document.getElementById("captures"));
  }

  function send(file) {
    return new Promise((done) => {
      const request = new XMLHttpRequest();
      sending = request;
      const row = document.getElementById("sending");
      const show = (share) => {
        row.hidden = false;
        row.querySelector("progress").value = share;
        row.querySelector("span").textContent = `sending ${file.name}, ${Math.round(100 * share)}%`;
      };
      show(0);
      request.upload.onprogress = (event) => show(event.total ? event.loaded / event.total : 0);
      request.onload = () => {
        if (request.status === 200) shelve(request.responseText);
        else refused(new DOMParser().parseFromString(request.responseText, "text/html").body.textContent.trim());
        done();
      };
      request.onerror = () => { refused(`${file.name} could not be sent.`); done(); };
      request.onabort = done;
      request.onloadend = () => { sending = null; const r = document.getElementById("sending"); if (r) r.hidden = true; };
      request.open("PUT", `/captures?name=${encodeURIComponent(file.name)}`);
      request.setRequestHeader("x-toprung", forgery);
      request.send(file);
    });
  }

  async function sendAll(files) {
    refused("");
    for (const file of files) await send(file);
  }

  document.addEventListener("change", (event) => {
    if (event.target.id === "capture-file") sendAll([...event.target.files]);
  });
  document.addEventListener("dragover", (event) => {
    if (![...event.dataTransfer.types].includes("Files")) return;
    event.preventDefault();
    document.body.classList.add("dropping");
  });
  document.addEventListener("dragleave", (event) => {
    if (!event.relatedTarget) document.body.classList.remove("dropping");
  });
  document.addEventListener("drop", (event) => {
    document.body.classList.remove("dropping");
    if (!event.dataTransfer.files.length) return;
    event.preventDefault();
    sendAll([...event.dataTransfer.files]);
  });

  // -- clicks -----------------------------------------------------------------------------------------
  document.addEventListener("click", (event) => {
    if (event.target.id === "stop-sending" && sending) sending.abort();
    const line = event.target.closest("[data-line]");
    if (line) goToLine(document.getElementById("site-text"), Number(line.dataset.line));
    if (event.target.id === "print") print();
  });

  function goToLine(area, line) {
    const before = area.value.split("\n").slice(0, line - 1).join("\n").length + (line > 1 ? 1 : 0);
    const end = area.value.indexOf("\n", before);
    area.focus();
    area.setSelectionRange(before, end < 0 ? area.value.length : end);
    area.scrollTop = (line - 6) * (area.scrollHeight / area.value.split("\n").length);
  }

  // -- changes elsewhere ------------------------------------------------------------------------------
  const events = new EventSource(`/events?seen=${document.body.dataset.revision}`);
  let settled = document.body.dataset.settled;
  events.onmessage = (event) => {
    const [, now] = event.data.split(" ");
    htmx.trigger(document.body, "bench");
    if (now !== settled) htmx.trigger(document.body, "settled");
    settled = now;
  };
  addEventListener("pagehide", () => events.close());

  // what an answer of refusal says is shown where the part would have been
  document.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.xhr.status === 422) { event.detail.shouldSwap = true; event.detail.isError = false; }
  });

  // -- charts -----------------------------------------------------------------------------------------
  function draw(root) {
    if (typeof vegaEmbed === "undefined") return;
    for (const figure of root.querySelectorAll("[data-chart]:not([data-drawn])")) {
      figure.dataset.drawn = "yes";
      const spec = JSON.parse(document.getElementById(figure.dataset.chart).textContent);
      vegaEmbed(figure, themed(spec), { actions: false, ast: true, renderer: "svg", defaultStyle: false, tooltip: false });
    }
  }

  // charts are declared in the colours of light paper
  const TONES = { "#7d95bd": "--note", "#1f6f78": "--held", "#b3362a": "--gone" };

  function themed(declared) {
    const tone = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
    const ink = tone("--ink"), line = tone("--line");
    let text = JSON.stringify(declared);
    if (matchMedia("(prefers-color-scheme: dark)").matches)
      for (const [light, name] of Object.entries(TONES)) text = text.replaceAll(light, tone(name));
    const spec = JSON.parse(text);
    return { ...spec, background: "transparent", config: { ...spec.config,
      axis: { ...(spec.config || {}).axis, labelColor: ink, titleColor: ink, gridColor: line, domainColor: line, tickColor: line },
      legend: { labelColor: ink, titleColor: ink }, title: { color: ink, anchor: "start" },
      header: { labelColor: ink, titleColor: ink }, text: { color: ink }, view: { stroke: line } } };
  }

  document.addEventListener("DOMContentLoaded", () => draw(document));
  document.addEventListener("htmx:load", (event) => draw(event.target));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    for (const figure of document.querySelectorAll("[data-drawn]")) delete figure.dataset.drawn;
    draw(document);
  });
})();
