// Draws what the server sends as one `Plain` component; dashboard/components/plain_elements.py says why.
(function () {
  "use strict";
  // As Dash follows a link inside the lab: no page is loaded, and the callbacks hear of the new address.
  function follow(event) {
    if (event.metaKey || event.shiftKey || event.altKey || event.ctrlKey) return;
    event.preventDefault();
    window.history.pushState({}, "", event.currentTarget.href);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    window.scrollTo(0, 0);
  }
  function drawn(part) {
    if (!Array.isArray(part)) return part;
    var element = part[0];
    var attributes = part[1];
    if (element === "link") {
      element = "a";
      attributes = Object.assign({}, attributes, { href: window.dash_clientside.clean_url(attributes.href), onClick: follow });
    }
    return window.React.createElement.apply(null, [element, attributes].concat(part.slice(2).map(drawn)));
  }
  function Plain(props) {
    // Another tree is another page: nothing of the former, such as a part unfolded by hand, may stay.
    var last = window.React.useRef({ tree: null, count: 0 });
    if (last.current.tree !== props.tree) last.current = { tree: props.tree, count: last.current.count + 1 };
    return window.React.createElement(window.React.Fragment, { key: last.current.count }, drawn(props.tree));
  }
  window.lotdrift = { Plain: Plain };
})();
