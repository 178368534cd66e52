"use strict";
// Rows of a table in the order of any of its columns: numbers by size, what is not known last, text by alphabet.
(() => {
  for (const table of document.querySelectorAll("table[data-sortable]")) {
    const body = table.tBodies[0], heads = [...table.tHead.rows[0].cells];
    const text = new Intl.Collator("en", { numeric: true });

    const order = (column, falling) => (one, other) => {
      const [a, b] = [one, other].map((row) => row.cells[column].dataset.value);
      if (a === "" || b === "") return (a === "") - (b === "");
      const numbers = [a, b].map(Number);
      const rising = numbers.some(Number.isNaN) ? text.compare(a, b) : numbers[0] - numbers[1];
      return falling ? -rising : rising;
    };

    const sort = (column) => {
      const falling = heads[column].getAttribute("aria-sort") === "ascending";
      for (const head of heads) head.removeAttribute("aria-sort");
      heads[column].setAttribute("aria-sort", falling ? "descending" : "ascending");
      body.append(...[...body.rows].sort(order(column, falling)));
    };

    heads.forEach((head, column) => {
      if (head.dataset.sort === undefined) return;
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = head.textContent;
      button.addEventListener("click", () => sort(column));
      head.replaceChildren(button);
    });
  }
})();
