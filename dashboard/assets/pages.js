// A new page: set the title of the tab, mark the page in the navigation, and move the focus to its start.
// Printing: draw the figures as wide as the paper, which would cut them off.
(function () {
  "use strict";
  // The text of a heading with plain spaces; a state word in it follows after a comma, without its shape.
  function words(heading) {
    var parts = [""];
    heading.childNodes.forEach(function (part) {
      if (part.nodeType === Node.TEXT_NODE || part.className === "whole") {
        parts[parts.length - 1] += part.textContent;
        return;
      }
      var shape = part.querySelector && part.querySelector("[aria-hidden]");
      parts.push(part.textContent.slice(shape ? shape.textContent.length : 0), "");
    });
    return parts.map(function (part) { return part.replace(/\s+/g, " ").trim(); }).filter(Boolean).join(", ");
  }
  var NARROW = window.matchMedia("(max-width: 46rem)");
  // What a wide screen shows unfolded is folded on a narrow one.
  function fold(main) {
    if (NARROW.matches) main.querySelectorAll("details.fold-narrow").forEach(function (part) { part.open = false; });
  }
  function settle(main) {
    var heading = main.querySelector("h1");
    document.title = heading ? words(heading) + " · lotdrift" : "lotdrift";
    document.querySelectorAll(".masthead nav a").forEach(function (link) {
      if (link.pathname === window.location.pathname) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    });
  }
  function arrive(main) {
    var target = window.location.hash && document.getElementById(decodeURIComponent(window.location.hash.slice(1)));
    if (target) {
      // A target in a folded part is shown with it.
      for (var part = target.closest("details"); part; part = part.parentElement.closest("details")) part.open = true;
      // The tab key continues from there, not from the top of the page.
      target.tabIndex = -1;
      target.focus({ preventScroll: true });
      target.scrollIntoView();
    } else if (document.activeElement === document.body || !document.activeElement) main.focus({ preventScroll: true });
  }
  var shown = null;
  new MutationObserver(function () {
    var main = document.getElementById("page");
    if (!main || main.firstElementChild === shown) return;
    shown = main.firstElementChild;
    settle(main);
    fold(main);
    arrive(main);
  }).observe(document.documentElement, { childList: true, subtree: true });
  // Pixels between the margins of a sheet on upright A4; the small pictures of a lot stand two by two.
  var PAPER_WIDTH = 630;
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("details.fold-narrow").forEach(function (part) { part.open = true; });
    document.querySelectorAll(".js-plotly-plot").forEach(function (figure) {
      var width = figure.closest(".many") ? PAPER_WIDTH / 2 : PAPER_WIDTH;
      window.Plotly.relayout(figure, { autosize: false, width: width });
    });
  });
  window.addEventListener("afterprint", function () {
    document.querySelectorAll(".js-plotly-plot").forEach(function (figure) {
      window.Plotly.relayout(figure, { autosize: true, width: null });
    });
  });
})();

// A session has ended: reload the page, and the server shows the login instead.
// The server stops responding or fails: warn, so stale figures are not mistaken for current ones.
(function () {
  "use strict";
  var SILENT = "The server does not respond: the figures on this page may be old. Reload once it runs again.";
  var BROKEN = "The new page could not be loaded; this is still the earlier one. The server's log gives the reason.";
  function tell(words) {
    var place = document.getElementById("trouble");
    if (place && place.textContent !== words) place.textContent = words;
  }
  var ask = window.fetch;
  window.fetch = function () {
    return ask.apply(this, arguments).then(
      function (answer) {
        if (answer.status === 401) {
          window.location.reload();
          return new Promise(function () {});
        }
        tell(answer.status < 500 ? "" : BROKEN);
        return answer;
      },
      function (error) {
        if (error.name !== "AbortError") tell(SILENT);
        throw error;
      }
    );
  };
})();
