"""What does the page's script do? Nothing that the page needs.

It shows the controls of ``reports.page_controls`` and serves them, lets a reader walk
along the measured points of a figure, and takes tables that do not scroll out of the
keyboard's way. Every value that it shows stands in the page already: the reading of a
point is its row of the table, in the form that the switches chose. It requests nothing,
stores nothing, and writes text, never HTML.
"""

from __future__ import annotations

__all__ = ["SCRIPT"]

SCRIPT = """
'use strict';
(() => {
  const all = (what, from = document) => [...from.querySelectorAll(what)];
  const make = (tag, look, parent) => {
    const one = parent.appendChild(document.createElement(tag));
    one.className = look;
    return one;
  };
  const view = document.getElementById('view');
  const said = view.querySelector('[role=status]');
  const figures = [];

  // Hide what is not chosen, put each value in the form that is, say so.
  const apply = () => {
    const hidden = [];
    for (const box of all('input[type=checkbox]', view)) {
      for (const part of all(`[data-part="${box.value}"]`)) part.hidden = !box.checked;
      if (!box.checked) hidden.push(box.parentNode.textContent);
    }
    const notes = hidden.length ? [`Not shown: ${hidden.join(', ')}.`] : [];
    for (const kind of ['object', 'effective']) {
      const on = view.querySelector(`input[value=${kind}]`).checked;
      for (const value of all(`[data-${kind}]`)) {
        value.dataset.first ??= value.textContent;
        value.textContent = on ? value.dataset[kind] : value.dataset.first;
      }
      if (on) notes.push(kind === 'object'
        ? 'Tables of stops and places give object-side frequencies first.'
        : 'Tables and axes of stops give effective f-numbers first.');
    }
    said.textContent = notes.join(' ');
    for (const figure of figures) figure.again();
  };
  view.addEventListener('change', apply);
  view.hidden = false;

  // Measured points: arrow keys, pointer and touch read a point's row of the table.
  for (const plot of all('.plot[data-points]')) {
    const table = document.getElementById(plot.dataset.table);
    const heads = all('thead th', table);
    const rows = all('tbody tr', table);
    const group = make('div', '', plot);
    group.setAttribute('role', 'group');
    group.setAttribute('aria-label', `${plot.dataset.label}: arrow keys go from point to point`);
    const tip = make('div', 'tip', plot);
    tip.setAttribute('role', 'status');
    let shown = -1;
    const show = (index) => {
      shown = index;
      tip.textContent = '';
      points.forEach((one, k) => one.mark.classList.toggle('read', k === index));
      if (index < 0) return;
      const {row, x, y} = points[index];
      [...rows[row].cells].slice(0, 7).forEach((cell, k) => {
        const line = make(k ? 'span' : 'b', '', tip);
        line.textContent = `${heads[k].textContent}: ${cell.textContent}`;
      });
      make('span', '', tip).textContent = 'Frequencies in cycles/mm.';
      // Beside the point and off it, on whichever side there is room.
      const [at, room] = [x / 100 * plot.clientWidth, plot.clientWidth - tip.offsetWidth];
      const beside = at + 16 <= room ? at + 16 : at - 16 - tip.offsetWidth;
      tip.style.left = `${Math.max(0, Math.min(beside, room))}px`;
      tip.style.top = y > 50 ? '' : `calc(${y}% + 1rem)`;
      tip.style.bottom = y > 50 ? `calc(${100 - y}% + 1rem)` : '';
    };
    const points = JSON.parse(plot.dataset.points).map(([row, x, y], index) => {
      const mark = make('button', 'point', group);
      mark.type = 'button';
      mark.tabIndex = index ? -1 : 0;
      mark.style.left = `${x}%`;
      mark.style.top = `${y}%`;
      mark.addEventListener('focus', () => {
        for (const other of points) other.mark.tabIndex = -1;
        mark.tabIndex = 0;
        show(index);
      });
      mark.addEventListener('blur', () => show(-1));
      return {row, x, y, mark};
    });
    group.addEventListener('keydown', (event) => {
      const last = points.length - 1;
      const here = points.findIndex((one) => one.mark === document.activeElement);
      const to = {ArrowRight: here + 1, ArrowDown: here + 1, ArrowLeft: here - 1,
        ArrowUp: here - 1, Home: 0, End: last}[event.key];
      if (to === undefined || event.ctrlKey || event.altKey || event.metaKey) return;
      event.preventDefault();
      points[Math.min(Math.max(to, 0), last)].mark.focus();
    });
    const point = (event) => {
      const box = plot.getBoundingClientRect();
      const x = 100 * (event.clientX - box.left) / box.width;
      const away = points.map((one) => Math.abs(one.x - x));
      const nearest = away.indexOf(Math.min(...away));
      if (nearest !== shown) show(nearest);
    };
    plot.addEventListener('pointermove', point);
    plot.addEventListener('pointerdown', point);
    plot.addEventListener('pointerleave', () =>
      show(points.findIndex((one) => one.mark === document.activeElement)));
    const again = () => {
      for (const {row, mark} of points) {
        const name = `${heads[0].textContent} ${rows[row].cells[0].textContent}`;
        mark.setAttribute('aria-label', `${plot.dataset.label}: ${name}`);
      }
      show(shown);
    };
    figures.push({again, close: () => show(-1)});
    new ResizeObserver(() => show(shown)).observe(plot);
  }
  document.addEventListener('keydown', (event) => {
    if (event.key === 'Escape') for (const figure of figures) figure.close();
  });

  // A table that does not scroll needs no stop of the keyboard.
  const width = new ResizeObserver((boxes) => {
    for (const {target} of boxes) {
      if (target.scrollWidth > target.clientWidth) target.tabIndex = 0;
      else target.removeAttribute('tabindex');
    }
  });
  for (const box of all('.scroll')) width.observe(box);
  apply();
})();
"""
