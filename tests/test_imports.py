"""No module imports, by whatever way round, one that imports it; imports inside functions count."""

from pathlib import Path

import grimp

from benchrig.procedure.step import HOME, kinds

ROOT = Path(__file__).resolve().parent.parent


def circles(graph):
    """Sets of modules that reach each other (Tarjan's strongly connected components of two or more)."""
    number, low, stack, found = {}, {}, [], []

    def visit(module):
        number[module] = low[module] = len(number)
        stack.append(module)
        for other in graph.find_modules_directly_imported_by(module):
            if other not in number:
                visit(other)
            if other in stack:
                low[module] = min(low[module], low[other])
        if low[module] == number[module]:
            at = stack.index(module)
            together = set(stack[at:])
            del stack[at:]
            if len(together) > 1:
                found.append(together)

    for module in sorted(graph.modules):
        if module not in number:
            visit(module)
    return found


def test_there_is_no_circle(monkeypatch):
    monkeypatch.syspath_prepend(str(ROOT))
    graph = grimp.build_graph("benchrig", "drivers", "sim_instruments", cache_dir=None)
    assert len(graph.modules) > 300
    assert circles(graph) == []


def test_only_the_command_of_soaks_knows_a_kind_of_step(monkeypatch):
    """Plan, runner, checks, records, reports and displays ask what every step has."""
    monkeypatch.syspath_prepend(str(ROOT))
    graph = grimp.build_graph("benchrig", cache_dir=None)
    modules = {kind.__module__ for kind in kinds().values()}
    knowing = {
        importer
        for module in modules
        for importer in graph.find_modules_that_directly_import(module)
        if not importer.startswith(HOME)
    }
    assert knowing == {"benchrig.commands.soak"}
    for module in modules:
        assert not any(other in modules for other in graph.find_modules_directly_imported_by(module)), module
