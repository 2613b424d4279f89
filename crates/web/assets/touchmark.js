// What HTML alone does not do: the toggle, a scanner's focus, sounds, a lost line, printing, uploads.
(function () {
  'use strict';

  function keep(name, value) {
    try { localStorage.setItem(name, value); } catch (e) { /* no storage: for this page only */ }
  }
  function kept(name) {
    try { return localStorage.getItem(name); } catch (e) { return null; }
  }

  // Light and dark.
  var toggle = document.querySelector('[data-theme-toggle]');
  if (toggle) {
    toggle.addEventListener('click', function () {
      var root = document.documentElement;
      var dark = root.dataset.theme
        ? root.dataset.theme === 'dark'
        : matchMedia('(prefers-color-scheme: dark)').matches;
      root.dataset.theme = dark ? 'light' : 'dark';
      keep('theme', root.dataset.theme);
    });
  }

  // What was said of the last act goes once the next one is begun.
  document.body.addEventListener('htmx:beforeRequest', function (event) {
    var told = document.getElementById('told');
    var elt = event.detail.elt;
    if (told && elt.id !== 'now' && elt.id !== 'came-item') told.textContent = '';
    var form = elt.closest('form');
    if (!form) return;
    form.querySelectorAll('.told').forEach(function (said) { said.remove(); });
    form.querySelectorAll('[aria-invalid]').forEach(function (field) {
      field.removeAttribute('aria-invalid');
      field.removeAttribute('aria-describedby');
    });
  });
  document.body.addEventListener('htmx:sendError', function () {
    var told = document.getElementById('told');
    if (!told || document.getElementById('view')) return;
    told.textContent = '';
    var box = document.createElement('div');
    box.className = 'told broken';
    box.textContent = 'The server does not answer. Look whether it runs, then try again; nothing was changed.';
    told.append(box);
  });

  // Uploads show how far they are.
  document.body.addEventListener('htmx:xhr:progress', function (event) {
    var form = event.target.closest && event.target.closest('[data-upload]');
    var bar = form && form.querySelector('progress');
    if (!bar || !event.detail.lengthComputable) return;
    bar.hidden = false;
    bar.max = event.detail.total;
    bar.value = event.detail.loaded;
  });
  document.body.addEventListener('htmx:afterRequest', function (event) {
    var form = event.target.closest && event.target.closest('[data-upload]');
    var bar = form && form.querySelector('progress');
    if (bar) bar.hidden = true;
  });

  // Where labels are scanned one after the other, the field is free for the next, and no code stays on the screen.
  document.body.addEventListener('htmx:afterRequest', function (event) {
    var form = event.target.closest && event.target.closest('form[data-scans]');
    if (!form || !event.detail.successful) return;
    form.querySelectorAll('input:not([type=hidden])').forEach(function (field) { field.value = ''; });
    form.querySelector('input:not([type=hidden])').focus();
  });

  // Files dropped beside the button land in it; forms may come anew.
  function drop(event) { return event.target.closest && event.target.closest('.drop'); }
  document.addEventListener('dragover', function (event) {
    var at = drop(event);
    if (at) { event.preventDefault(); at.classList.add('over'); }
  });
  document.addEventListener('dragleave', function (event) { var at = drop(event); if (at) at.classList.remove('over'); });
  document.addEventListener('drop', function (event) {
    var at = drop(event);
    if (!at) return;
    event.preventDefault();
    at.classList.remove('over');
    if (event.dataTransfer.files.length) at.querySelector('input[type=file]').files = event.dataTransfer.files;
  });

  // A unit's label is shown when a person asks for it.
  document.querySelectorAll('[data-show-label]').forEach(function (button) {
    button.addEventListener('click', function () {
      var here = button.closest('section').querySelector('.label-here');
      var image = document.createElement('img');
      image.alt = 'The label, with its code';
      image.className = 'label';
      image.src = button.dataset.showLabel;
      here.replaceChildren(image);
      button.hidden = true;
    });
  });

  // A scanner types wherever the focus is: what nothing else takes goes into the box that finds everything, and so does
  // the slash. A station's keys stay its own.
  var find = document.querySelector('[data-find]');
  if (find && !document.getElementById('view')) {
    document.addEventListener('keydown', function (event) {
      if (event.key.length !== 1 || event.key === ' ' || event.ctrlKey || event.altKey || event.metaKey) return;
      var at = document.activeElement;
      if (at && at.matches('input, textarea, select, [contenteditable]')) return;
      if (event.key === '/') event.preventDefault();
      else if (at && at.matches('button, a, summary')) return;
      find.focus();
      find.select();
    });
  }

  // The station.
  var view = document.getElementById('view');
  if (!view) return;
  var typed = document.getElementById('typed');
  var form = document.getElementById('scan');
  var lost = document.getElementById('lost');
  var mute = document.getElementById('mute');

  // A scanner types wherever the focus is: it is brought back whenever nothing else needs it.
  function focus() {
    var at = document.activeElement;
    if (!at || at === document.body || at.closest('#view')) typed.focus({ preventScroll: true });
  }
  document.addEventListener('focusout', function () { setTimeout(focus, 150); });
  document.addEventListener('visibilitychange', focus);
  window.addEventListener('focus', focus);
  document.addEventListener('keydown', function (event) {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    var at = document.activeElement;
    if (at !== typed && event.key.length === 1 && !(at && at.matches('input, button, a, select, summary'))) typed.focus();
  });
  typed.focus();

  form.addEventListener('htmx:afterRequest', function (event) {
    if (event.detail.successful) typed.value = ''; else typed.select();
    typed.focus();
  });

  // P prints, where a label is due and nothing was typed.
  function print() { setTimeout(function () { window.print(); }, 60); }
  document.addEventListener('keydown', function (event) {
    if (event.key !== 'p' && event.key !== 'P') return;
    var button = document.querySelector('[data-print]');
    if (!button || typed.value !== '' || event.ctrlKey || event.metaKey) return;
    // A serial number may begin with this letter: only a key that stays alone prints.
    setTimeout(function () {
      if (typed.value.toLowerCase() === 'p') { typed.value = ''; button.click(); }
    }, 400);
  });
  document.body.addEventListener('click', function (event) {
    if (event.target.closest && event.target.closest('[data-print]')) print();
  });

  // Sounds: two rising tones passed, one low one failed. No file is played.
  var quiet = kept('mute') === 'yes';
  var audio = null;
  function tone(frequency, from, length) {
    var o = audio.createOscillator(), g = audio.createGain();
    o.frequency.value = frequency;
    o.type = 'triangle';
    g.gain.setValueAtTime(0.001, audio.currentTime + from);
    g.gain.exponentialRampToValueAtTime(0.3, audio.currentTime + from + 0.02);
    g.gain.exponentialRampToValueAtTime(0.001, audio.currentTime + from + length);
    o.connect(g).connect(audio.destination);
    o.start(audio.currentTime + from);
    o.stop(audio.currentTime + from + length);
  }
  function sound(phase) {
    if (quiet) return;
    try {
      audio = audio || new AudioContext();
      if (phase === 'passed') { tone(660, 0, 0.14); tone(990, 0.15, 0.22); }
      else if (phase === 'failed' || phase === 'stopped' || phase === 'wrong label') { tone(196, 0, 0.5); tone(147, 0.25, 0.6); }
    } catch (e) { /* no sound here: word, shape and colour stand */ }
  }
  function showMute() {
    mute.setAttribute('aria-pressed', quiet ? 'true' : 'false');
    mute.textContent = quiet ? 'Sound off' : 'Sound on';
  }
  mute.addEventListener('click', function () { quiet = !quiet; keep('mute', quiet ? 'yes' : 'no'); showMute(); typed.focus(); });
  showMute();

  // The first message repeats what the page shows already; drawing it again would show the
  // label, and so the passcode, a second time.
  document.body.addEventListener('htmx:sseBeforeMessage', function (event) {
    var told = event.detail && typeof event.detail.data === 'string' ? event.detail.data : '';
    var shown = view.firstElementChild;
    if (!shown || !told.includes('data-number')) return;
    var apart = new DOMParser().parseFromString(told, 'text/html').querySelector('.ground');
    if (apart && apart.dataset.number === shown.dataset.number && apart.textContent.trim() === shown.textContent.trim()) {
      alive();
      event.preventDefault();
    }
  });

  // What is newer is shown, and a change of phase is heard.
  var phase = view.firstElementChild ? view.firstElementChild.dataset.phase : '';
  document.body.addEventListener('htmx:afterSwap', function (event) {
    if (event.target.id !== 'view') return;
    alive();
    htmx.process(view);
    var now = view.firstElementChild ? view.firstElementChild.dataset.phase : '';
    if (now !== phase && now !== 'working') sound(now);
    phase = now;
    focus();
  });

  // A beat comes every few seconds; without one the line is lost, and said to be.
  var last = Date.now();
  function alive() { last = Date.now(); lost.hidden = true; }
  document.body.addEventListener('htmx:sseMessage', alive);
  document.body.addEventListener('htmx:sseOpen', alive);
  document.body.addEventListener('htmx:sseError', function () { lost.hidden = false; });
  document.body.addEventListener('htmx:sendError', function () { lost.hidden = false; });
  setInterval(function () { if (Date.now() - last > 11000) lost.hidden = false; }, 1000);
}());
