'use strict';
// Puts the panels that the daemon has drawn again in the place of the old ones.
// Without script the page loads itself again instead.
(function () {
  var main = document.querySelector('main');
  var lost = document.getElementById('lost');
  if (!main || !lost || !window.EventSource) { return; }
  var source = new EventSource('events');
  source.onopen = function () { lost.hidden = true; };
  source.onerror = function () {
    lost.hidden = false;
    if (source.readyState === EventSource.CLOSED) {
      setTimeout(function () { location.reload(); }, 5000);
    }
  };
  source.onmessage = function (event) {
    var next = document.createElement('template');
    next.innerHTML = event.data;
    var missing = next.content.querySelectorAll('[id]').length !== main.querySelectorAll('[id]').length;
    next.content.querySelectorAll('[id]').forEach(function (panel) {
      var old = document.getElementById(panel.id);
      missing = missing || !old;
      if (old && old.outerHTML !== panel.outerHTML) { old.replaceWith(panel.cloneNode(true)); }
    });
    if (missing) { main.innerHTML = event.data; }
  };
})();
