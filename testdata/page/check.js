'use strict';
// Looks at a page as a browser has laid it out, and writes what is wrong with it into
// an attribute of the outermost root, where --dump-dom shows it.
addEventListener('load', function () {
  const wrong = [];
  // Contrast of every text with what lies behind it, by WCAG 2.
  const rgb = c => (c.match(/[\d.]+/g) || []).map(Number);
  const light = c => { const f = v => { v /= 255; return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4; };
    return 0.2126 * f(c[0]) + 0.7152 * f(c[1]) + 0.0722 * f(c[2]); };
  const behind = e => { for (; e; e = e.parentElement) { const c = rgb(getComputedStyle(e).backgroundColor);
    if (c.length === 3 || c[3] > 0.99) { return c; } } return [255, 255, 255]; };
  // A text of a drawing may lie on any shape of it.
  const shapes = e => { const svg = e.closest('svg'); if (!svg) { return []; }
    const box = e.getBoundingClientRect();
    return [...svg.querySelectorAll('rect')].filter(r => { const b = r.getBoundingClientRect();
      return b.left < box.right && b.right > box.left && b.top < box.bottom && b.bottom > box.top; })
      .map(r => rgb(getComputedStyle(r).fill)).filter(c => c.length === 3); };
  let texts = 0, least = 99;
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n = walk.nextNode(); n; n = walk.nextNode()) {
    const e = n.parentElement;
    if (!n.data.trim() || e.closest('script,noscript,[hidden]') || !e.getClientRects().length) { continue; }
    texts++;
    const style = getComputedStyle(e);
    const ink = rgb(e.closest('svg') ? style.fill : style.color);
    for (const ground of [behind(e), ...shapes(e)]) {
      const a = light(ink), b = light(ground), ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
      least = Math.min(least, ratio);
      if (ratio < 4.5) { wrong.push('contrast ' + ratio.toFixed(2) + ' of "' + n.data.trim().slice(0, 40) + '"'); }
    }
    const size = parseFloat(style.fontSize) * (e.closest('svg') ? e.closest('svg').getBoundingClientRect().width / e.closest('svg').viewBox.baseVal.width : 1);
    if (size < 11) { wrong.push('text of ' + size.toFixed(1) + ' px: "' + n.data.trim().slice(0, 40) + '"'); }
  }
  if (texts < 20) { wrong.push('only ' + texts + ' texts'); }
  const over = document.documentElement.scrollWidth - document.documentElement.clientWidth;
  if (over > 0) { wrong.push('scrolls sideways by ' + over + ' px'); }
  document.querySelectorAll('.panel table, .panel svg, .panel p').forEach(e => {
    const out = e.getBoundingClientRect().right - e.closest('.panel').getBoundingClientRect().right;
    if (out > 0) { wrong.push('a ' + e.tagName + ' stands ' + out.toFixed(0) + ' px out of its panel'); }
  });
  document.querySelectorAll('svg').forEach(s => {
    if (s.getAttribute('role') !== 'img' || (s.getAttribute('aria-label') || '').length < 10) { wrong.push('a drawing without a text alternative'); }
  });
  document.querySelectorAll('table').forEach(t => { if (!t.querySelector('th[scope]')) { wrong.push('a table without heads'); } });
  if (!document.documentElement.lang || !document.title) { wrong.push('no language or no title'); }
  const ids = [...document.querySelectorAll('[id]')].map(e => e.id);
  if (new Set(ids).size !== ids.length) { wrong.push('an id twice'); }
  performance.getEntriesByType('resource').forEach(r => { if (new URL(r.name).origin !== location.origin) { wrong.push('loads ' + r.name); } });
  frameElement.height = document.documentElement.scrollHeight; // all of it is in the picture
  const told = parent.document.documentElement.dataset; // of the frame's page
  told.looked = texts + ' texts, least contrast ' + least.toFixed(2) + ', width ' + innerWidth;
  told.wrong = wrong.join(' | ');
});
