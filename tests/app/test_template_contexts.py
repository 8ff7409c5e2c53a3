"""Each template uses exactly the fields of its context."""

import dataclasses

import pytest
from jinja2 import meta, nodes

from app.pages import routers
from app.pages.rendering import CONTEXTS, PAGES, environment

routers()  # loads every page module
BASES = {"base.html"}


def names_used(template, seen=()):
    tree = environment().parse((PAGES / template).read_text())
    imported = {n if isinstance(n, str) else n[1] for i in tree.find_all(nodes.FromImport) for n in i.names}
    names = meta.find_undeclared_variables(tree) - imported
    for parent in meta.find_referenced_templates(tree):
        if parent in seen or parent.startswith("drawings/"):
            continue
        names |= names_used(parent, (*seen, parent))
    return names


@pytest.mark.parametrize("template", sorted(CONTEXTS))
def test_template_and_context_agree(template):
    fields = {f.name for f in dataclasses.fields(CONTEXTS[template])}
    assert names_used(template) - {"shell"} - set(environment().globals) == fields


@pytest.mark.parametrize("template", sorted(CONTEXTS))
def test_context_is_frozen_and_described(template):
    context = CONTEXTS[template]
    assert context.__dataclass_params__.frozen
    assert context.__doc__
    assert not context.__doc__.startswith(context.__name__ + "(")


def test_every_full_page_template_has_a_context():
    full_pages = {p.relative_to(PAGES).as_posix() for p in PAGES.rglob("*.html") if '{% extends "' in p.read_text()}
    assert full_pages - BASES <= set(CONTEXTS)
