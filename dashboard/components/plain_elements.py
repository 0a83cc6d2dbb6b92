"""Pages as the browser draws them fastest: what never changes after it is shown costs one Dash component, not hundreds.

Dash gives each of its components a subscription to all changes of the page and announces each new one as a change.
A page of 3,000 elements thereby takes 9 million looks, some seconds of a good machine. `Plain` carries a whole tree of
elements, and `dashboard/assets/plain_elements.js` draws it without Dash.
"""

from __future__ import annotations

from collections.abc import Container
from typing import Any

from dash import dcc
from dash.development.base_component import Component

_ELEMENTS = "dash_html_components"


class Plain(Component):  # type: ignore[misc]  # Dash has no types
    """A tree of html elements and links that nothing changes once it is shown.

    An element is a list of its name, its attributes and what it holds; `link` is the name of a link inside the lab.
    """

    _namespace = "lotdrift"
    _type = "Plain"
    _prop_names = available_properties = ("tree",)
    _children_props = _base_nodes = _valid_wildcard_attributes = available_wildcard_properties = ()


def plain(part: Any, changing: Container[str]) -> Any:
    """A page, or a part of one, with each of its largest unchanging trees as one component.

    Parameters
    ----------
    part : component, text, number, None or a list of them
        The components are changed in place, as each page is built afresh.
    changing : container of str
        The ids that callbacks read or write; these stay components of Dash, and so does what holds them.
    """
    if isinstance(part, Component) and _is_plain(part, changing):
        return Plain(tree=_tree(part))
    return _opened(part, changing)


def _is_plain(part: Any, changing: Container[str]) -> bool:
    if isinstance(part, (list, tuple)):
        return all(_is_plain(one, changing) for one in part)
    if not isinstance(part, Component):
        return True
    drawn_without_dash = isinstance(part, dcc.Link) or part._namespace == _ELEMENTS
    return (
        drawn_without_dash
        and getattr(part, "id", None) not in changing
        and _is_plain(getattr(part, "children", None), changing)
    )


def _opened(part: Any, changing: Container[str]) -> Any:
    if isinstance(part, (list, tuple)):
        return [plain(one, changing) for one in part]
    if isinstance(part, Component) and getattr(part, "children", None) is not None:
        part.children = plain(part.children, changing)
    return part


def _tree(part: Any) -> Any:
    if not isinstance(part, Component):
        return part
    attributes = part.to_plotly_json()["props"]
    children = attributes.pop("children", None)
    held = children if isinstance(children, (list, tuple)) else [children]
    return [part._type.lower(), attributes, *(_tree(one) for one in held if one is not None)]
