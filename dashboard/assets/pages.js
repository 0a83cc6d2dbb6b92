// When another page is shown: name it in the tab, mark it in the navigation, and bring the reader's place to its start.
// When it is printed: draw its figures as wide as the paper, where they would else be cut off.
(function () {
  "use strict";
  function settle(main) {
    var heading = main.querySelector("h1");
    document.title = heading ? heading.textContent + " · lotdrift" : "lotdrift";
    document.querySelectorAll(".masthead nav a").forEach(function (link) {
      if (link.pathname === window.location.pathname) link.setAttribute("aria-current", "page");
      else link.removeAttribute("aria-current");
    });
  }
  function arrive(main) {
    var target = window.location.hash && document.getElementById(decodeURIComponent(window.location.hash.slice(1)));
    if (target) {
      // The keyboard goes on from there too, not from the top of the page.
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
    arrive(main);
  }).observe(document.documentElement, { childList: true, subtree: true });
  // Pixels that upright A4 leaves between its margins and those of a sheet.
  var PAPER_WIDTH = 630;
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll(".js-plotly-plot").forEach(function (figure) {
      window.Plotly.relayout(figure, { autosize: false, width: PAPER_WIDTH });
    });
  });
  window.addEventListener("afterprint", function () {
    document.querySelectorAll(".js-plotly-plot").forEach(function (figure) {
      window.Plotly.relayout(figure, { autosize: true, width: null });
    });
  });
})();

// A session that has ended: the page is asked for again, and the server shows the login in its place.
// A server that does not answer, or with an error: said, or what is shown would pass for today's.
(function () {
  "use strict";
  var SILENT = "The dashboard's server does not answer: what stands here may be old. Choose the page again once it runs.";
  var BROKEN = "This page could not be drawn: what stands here is another one. The server's log says why.";
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
