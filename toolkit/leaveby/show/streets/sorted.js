"use strict";
(function () {
  var table = document.getElementById("groups");
  if (!table) { return; }
  var body = table.tBodies[0];
  Array.prototype.forEach.call(table.tHead.rows[0].cells, function (head, index) {
    var button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    head.textContent = "";
    head.appendChild(button);
    button.addEventListener("click", function () {
      var number = head.className !== "";
      var down = head.getAttribute("aria-sort") === (number ? "descending" : "ascending") ? !number : number;
      Array.prototype.forEach.call(table.tHead.rows[0].cells, function (other) { other.removeAttribute("aria-sort"); });
      head.setAttribute("aria-sort", down ? "descending" : "ascending");
      Array.prototype.slice.call(body.rows).sort(function (a, b) {
        var x = a.cells[index].getAttribute("data-sort"), y = b.cells[index].getAttribute("data-sort");
        var order = number ? Number(x) - Number(y) : x.localeCompare(y);
        return down ? -order : order;
      }).forEach(function (row) { body.appendChild(row); });
    });
  });
}());
