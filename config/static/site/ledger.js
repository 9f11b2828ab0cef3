// Small helps that pages work without: the folded contents on a phone, rows added to a form,
// entries kept on this device until they are recorded, and one send for a double press.
(function () {
  "use strict";

  function store(action) {
    try { return action(window.localStorage); } catch (error) { return null; }
  }

  const contents = document.getElementById("contents");
  const opener = document.querySelector(".contents-button");
  if (contents && opener) {
    opener.hidden = false;
    contents.classList.add("folded");
    opener.addEventListener("click", function () {
      const folded = contents.classList.toggle("folded");
      opener.setAttribute("aria-expanded", String(!folded));
    });
  }

  const problem = document.querySelector("[data-focus]");
  if (problem) problem.focus();

  // A one-time code stands behind the address's #, which is sent to nobody; it leaves the address
  // bar, and with it the history, at once.
  const once = document.querySelector("[data-from-address]");
  if (once && window.location.hash.length > 1) {
    once.value = window.location.hash.slice(1);
    window.history.replaceState(null, "", window.location.pathname);
  }

  const offline = document.getElementById("offline");
  function tellConnection() {
    if (offline) offline.hidden = navigator.onLine;
  }
  window.addEventListener("online", tellConnection);
  window.addEventListener("offline", tellConnection);
  tellConnection();

  const person = document.body.dataset.person || "";
  const step = window.location.pathname.replace(/[A-Z]{2}[0-9]{2}-[0-9A-Z-]+/g, "-");

  // On a phone the hazards of a step stand open at a person's first time there, and fold to the
  // first of them afterwards; on a wide screen they always stand open.
  const hazards = document.querySelector("[data-cautions]");
  if (hazards && window.matchMedia("(max-width: 61.9rem)").matches) {
    const seen = "ledger.hazards " + person + " " + step;
    store(function (storage) {
      if (storage.getItem(seen)) hazards.open = false;
      storage.setItem(seen, "seen");
    });
  }

  // Setting up, the browser proposes the zone it is in, and the sign it writes decimals with.
  const setUp = document.querySelector("[data-set-up=fresh]");
  if (setUp) {
    const zone = setUp.elements.time_zone;
    const here = Intl.DateTimeFormat().resolvedOptions().timeZone;
    if (Array.from(zone.options).some(function (each) { return each.value === here; })) zone.value = here;
    if ((1.5).toLocaleString(navigator.language).includes(",")) setUp.elements.decimal_sign.value = ",";
  }
  // Chapters lie open on a wide screen and on paper, and fold on a phone to their headlines.
  const chapters = document.querySelectorAll("details.chapter");
  if (window.matchMedia("(min-width: 62rem)").matches) chapters.forEach(function (each) { each.open = true; });
  window.addEventListener("beforeprint", function () {
    chapters.forEach(function (each) { each.open = true; });
  });

  document.querySelectorAll("[data-print]").forEach(function (button) {
    button.hidden = false;
    button.addEventListener("click", function () { window.print(); });
  });

  document.querySelectorAll("[data-add-row]").forEach(function (button) {
    button.hidden = false;
    button.addEventListener("click", function () {
      const rows = document.getElementById(button.dataset.addRow);
      const row = rows.lastElementChild.cloneNode(true);
      row.querySelectorAll("input").forEach(function (input) { input.value = ""; });
      rows.appendChild(row);
      if (window.htmx) window.htmx.process(row);
      row.querySelector("input").focus();
    });
  });

  // A photograph is made smaller before it is sent: 2,400 pixels show every figure of a paper.
  document.querySelectorAll('input[type=file][accept*="image/"]').forEach(function (input) {
    const note = document.createElement("p");
    note.className = "hint";
    note.setAttribute("role", "status");
    input.after(note);
    input.addEventListener("change", async function () {
      const file = input.files[0];
      note.textContent = "";
      input.setCustomValidity("");
      if (!file || !file.type.startsWith("image/")) return;
      const isTaken = input.accept.split(",").includes(file.type);
      try {
        const picture = await createImageBitmap(file);
        const scale = Math.min(1, 2400 / Math.max(picture.width, picture.height));
        if (isTaken && scale === 1 && file.size < 2e6) return;
        const canvas = document.createElement("canvas");
        canvas.width = Math.round(picture.width * scale);
        canvas.height = Math.round(picture.height * scale);
        const drawn = canvas.getContext("2d");
        drawn.fillStyle = "#fff";
        drawn.fillRect(0, 0, canvas.width, canvas.height);
        drawn.drawImage(picture, 0, 0, canvas.width, canvas.height);
        const made = await new Promise(function (done) { canvas.toBlob(done, "image/jpeg", 0.85); });
        if (isTaken && made.size >= file.size) return;
        const files = new DataTransfer();
        const name = file.name.replace(/\.[^.]*$/, "") + ".jpg";
        files.items.add(new File([made], name, {type: "image/jpeg"}));
        input.files = files.files;
        const size = function (bytes) { return (bytes / 1e6).toFixed(1) + " MB"; };
        note.textContent = "Made smaller: " + size(file.size) + " to " + size(made.size) + ".";
      } catch (problem) {
        if (isTaken) return;
        note.textContent = "This kind of picture can't be taken. Save it as JPEG, PNG or WebP, or as a PDF.";
        input.setCustomValidity(note.textContent);
      }
    });
  });

  // Kept per address and person: what was typed, with the form's own key, so that sending it again
  // after a lost connection or an ended session is recorded once.
  const form = document.querySelector("form[data-keep]");
  const recorded = document.querySelector("[data-recorded]");
  if (recorded) {
    store(function (storage) {
      const sent = storage.getItem("ledger.sent");
      if (sent) storage.removeItem(sent);
      storage.removeItem("ledger.sent");
    });
  }
  if (!form) return;
  const name = "ledger.begun " + person + " " + window.location.pathname + window.location.search;

  // The unit, the balance and the place that a person used last are what the form begins with.
  const remembered = Array.from(form.querySelectorAll("select[data-remember]"));
  function lastOf(select, where) {
    return "ledger.last " + person + " " + where + " " + select.name;
  }
  if (form.dataset.keep === "fresh") remembered.forEach(function (select) {
    const last = store(function (storage) {
      return storage.getItem(lastOf(select, step))
        || (select.dataset.remember === "anywhere" && storage.getItem(lastOf(select, "")));
    });
    const known = Array.from(select.options).some(function (each) { return each.value === last; });
    if (last && known && (!select.value || select.name.endsWith("-unit"))) select.value = last;
  });
  function remember() {
    store(function (storage) {
      remembered.forEach(function (select) {
        if (!select.value) return;
        storage.setItem(lastOf(select, step), select.value);
        storage.setItem(lastOf(select, ""), select.value);
      });
    });
  }

  function keep() {
    store(function (storage) {
      storage.setItem(name, JSON.stringify({at: Date.now() / 1000, pairs: values()}));
    });
  }

  function fillIn(pairs) {
    const seen = {};
    function named(field) {
      return Array.from(form.querySelectorAll("[name='" + CSS.escape(field) + "']"));
    }
    pairs.forEach(function (pair) {
      const index = seen[pair[0]] = (pair[0] in seen ? seen[pair[0]] + 1 : 0);
      let fields = named(pair[0]);
      const place = fields.length && fields[0].closest(".field");
      const adder = place && place.querySelector("[data-add-row]");
      if (adder && index >= fields.length) {
        adder.click();
        fields = named(pair[0]);
      }
      const field = fields.find(function (each) {
        return (each.type === "checkbox" || each.type === "radio") && each.value === pair[1];
      }) || fields[Math.min(index, fields.length - 1)];
      // What was not chosen yet stays to be chosen, perhaps from a list that has grown.
      if (!field || (field.tagName === "SELECT" && !pair[1])) return;
      const was = field.value;
      if (field.type === "checkbox" || field.type === "radio") field.checked = true;
      else field.value = pair[1];
      const more = field.closest("details.more");
      if (more && (field.checked || field.value !== was)) more.open = true;
    });
  }

  // Back from a receipt, the form stands as it was sent, key and all: the same again is recorded
  // once, and other figures under the same key are told apart by the server.
  function values() {
    const found = [];
    new FormData(form).forEach(function (value, field) {
      if (typeof value === "string" && field !== "csrfmiddlewaretoken") found.push([field, value]);
    });
    return found;
  }
  const sent = form.dataset.keep === "fresh" && window.history.state && window.history.state.sent;
  function untick() {
    form.querySelectorAll("input[type=checkbox]").forEach(function (box) { box.checked = false; });
  }
  if (sent) {
    untick();
    fillIn(sent);
  }

  // What the server kept later, perhaps from another device, counts more than what lies here.
  const here = store(function (storage) { return JSON.parse(storage.getItem(name)); });
  const later = Number(form.dataset.keptAt || 0);
  const kept = !sent && form.dataset.keep === "fresh" && here && here.pairs && here.at > later;
  if (kept) {
    // What was sent may be recorded already, so it is filled in as it was, its moment too. Of what
    // was only begun, when it happened comes back when asked for.
    const wasSent = store(function (storage) { return storage.getItem("ledger.sent"); }) === name;
    const isMoment = function (pair) { return pair[0] === "occurred_at"; };
    const moment = wasSent ? null : here.pairs.find(isMoment);
    untick();
    fillIn(here.pairs.filter(function (pair) { return wasSent || !isMoment(pair); }));
    const note = document.getElementById("kept");
    const asking = note && note.querySelector("[data-moment]");
    if (asking && moment && moment[1]) {
      asking.hidden = false;
      asking.textContent += moment[1].replace("T", " ");
      asking.addEventListener("click", function () {
        fillIn([moment]);
        asking.hidden = true;
        keep();
      });
    }
    if (note) {
      note.hidden = false;
      note.querySelector("button").addEventListener("click", function () {
        store(function (storage) { storage.removeItem(name); });
        window.location.reload();
      });
    }
  }
  form.addEventListener("input", keep);
  form.addEventListener("change", keep);
  form.addEventListener("submit", function (event) {
    const button = form.querySelector("button.primary");
    if (!navigator.onLine) {
      event.preventDefault();
      tellConnection();
      if (offline) offline.scrollIntoView();
      return;
    }
    if (button.getAttribute("aria-busy") === "true") {
      event.preventDefault();
      return;
    }
    keep();
    remember();
    store(function (storage) { storage.setItem("ledger.sent", name); });
    window.history.replaceState({sent: values()}, "");
    button.setAttribute("aria-busy", "true");
  });
  window.addEventListener("pageshow", function () {
    const button = form.querySelector("button.primary");
    if (button) button.removeAttribute("aria-busy");
  });
}());
