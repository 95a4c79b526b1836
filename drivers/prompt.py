"""Bench meters that answer with a prompt: see `prompt_answers` for the grammar."""

from .prompt_answers import decode as decode
