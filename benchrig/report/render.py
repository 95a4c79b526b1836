"""A report as one self-contained HTML file: style inside, pictures inside, no script, nothing from outside."""

from __future__ import annotations

from importlib.resources import files

from jinja2 import Environment, StrictUndefined
from markupsafe import Markup

from .model import Report


def render(report: Report) -> str:
    """The whole page. Every text of files, people and instruments is escaped."""
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    template = environment.from_string(_asset("page.html"))
    return template.render(report=report, job=report.job, style=Markup(_asset("page.css")), drawn=Markup)


def _asset(name: str) -> str:
    return (files(__package__) / name).read_text(encoding="utf-8")
