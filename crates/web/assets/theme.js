// Light or dark, before anything is drawn: as the system says, unless a person chose.
(function () {
  'use strict';
  try {
    var chosen = localStorage.getItem('theme');
    if (chosen === 'light' || chosen === 'dark') document.documentElement.dataset.theme = chosen;
  } catch (e) { /* no storage: the system's choice holds */ }
}());
