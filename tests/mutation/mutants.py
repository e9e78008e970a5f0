"""Every small change that could be made to `rules/`: a mutant is one of them, and a good test fails on it.

The changes are those of mutmut's operators: another operator, number or word, an argument or an assignment left out, a branch always
or never taken. Left as they are: what only a type checker reads, and prose (a text with a blank in it), whose wording is nobody's rule.
"""

import hashlib
from functools import cache
from pathlib import Path
from typing import NamedTuple

import libcst as cst
import msgspec
from libcst.metadata import CodePosition, CodeRange, MetadataWrapper, PositionProvider, WhitespaceInclusivePositionProvider
from mutmut.mutation.mutators import mutation_operators

ROOT = Path(__file__).resolve().parents[2]


class Mutant(msgspec.Struct, frozen=True, kw_only=True):
    """One change: the `number`-th that can be made to `module`."""

    module: str
    number: int
    digest: str
    """Of the module's text, so that a result is not taken for that of another text."""
    first_line: int
    last_line: int
    operator: str
    before: str
    after: str

    @property
    def key(self) -> str:
        """What names it in the file of results."""
        return f"{self.module}:{self.digest}:{self.number}"

    @property
    def path(self) -> Path:
        """The module's file."""
        return path_of(self.module)


def path_of(module: str) -> Path:
    """The file of that module."""
    plain = ROOT / (module.replace(".", "/") + ".py")
    return plain if plain.exists() else plain.with_suffix("") / "__init__.py"


def modules() -> list[str]:
    """The modules of the rules, sorted."""
    names = (path.relative_to(ROOT).with_suffix("").as_posix().replace("/", ".") for path in (ROOT / "rules").rglob("*.py"))
    return sorted(name.removesuffix(".__init__") for name in names)


def mutants_of(module: str) -> list[Mutant]:
    """Every mutant of a module, in the order of its text."""
    tree, changes = _changes(module)
    digest = hashlib.sha256(tree.bytes).hexdigest()[:12]
    return [
        Mutant(
            module=module,
            number=number,
            digest=digest,
            first_line=change.place.start.line,
            last_line=change.place.end.line,
            operator=change.operator,
            before=_said(tree, change.node),
            after=_said(tree, change.changed),
        )
        for number, change in enumerate(changes)
    ]


def text_of(mutant: Mutant) -> str:
    """The module's whole text with that change made."""
    tree, changes = _changes(mutant.module)
    change, text = changes[mutant.number], tree.code
    start, end = (_offset(text, place) for place in (change.whole.start, change.whole.end))
    if text[start:end] == tree.code_for_node(change.node):
        return text[:start] + tree.code_for_node(change.changed) + text[end:]
    # A statement is reported without its place in the line, so it is put into the tree, which takes longer.
    made = tree.deep_replace(change.node, change.changed)
    assert isinstance(made, cst.Module)
    return made.code


def _offset(text: str, place: CodePosition) -> int:
    return sum(len(line) for line in text.splitlines(keepends=True)[: place.line - 1]) + place.column


def _said(tree: cst.Module, node: cst.CSTNode) -> str:
    return " ".join(tree.code_for_node(node).split())


class _Change(NamedTuple):
    node: cst.CSTNode
    changed: cst.CSTNode
    operator: str
    place: CodeRange
    whole: CodeRange


@cache
def _changes(module: str) -> tuple[cst.Module, list[_Change]]:
    tree = cst.parse_module(path_of(module).read_text())
    finder = _Finder()
    MetadataWrapper(tree, unsafe_skip_copy=True).visit(finder)
    return tree, finder.found


class _Finder(cst.CSTVisitor):
    METADATA_DEPENDENCIES = (PositionProvider, WhitespaceInclusivePositionProvider)

    def __init__(self) -> None:
        self.found: list[_Change] = []
        self.annotations = 0
        self.calls_in_annotation = 0

    def on_visit(self, node: cst.CSTNode) -> bool:
        if isinstance(node, cst.Annotation):
            self.annotations += 1
        # Bounds reported in an annotation, `Meta(ge=0)`, hold at run time; the rest of one is a type checker's.
        if self.annotations and isinstance(node, cst.Call):
            self.calls_in_annotation += 1
        if not self.annotations or self.calls_in_annotation:
            self._change(node)
        return True

    def on_leave(self, original_node: cst.CSTNode) -> None:
        if self.annotations and isinstance(original_node, cst.Call):
            self.calls_in_annotation -= 1
        if isinstance(original_node, cst.Annotation):
            self.annotations -= 1

    def _change(self, node: cst.CSTNode) -> None:
        if isinstance(node, cst.SimpleString) and " " in node.value:
            return
        for kind, operator in mutation_operators:
            if isinstance(node, kind):
                place = self.get_metadata(PositionProvider, node)
                whole = self.get_metadata(WhitespaceInclusivePositionProvider, node)
                self.found += [
                    _Change(node, changed, operator.__name__.removeprefix("operator_"), place, whole)
                    for changed in operator(node)
                    if not changed.deep_equals(node)
                ]
