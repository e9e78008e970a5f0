"""Every small change that could be made to `rules/`: a mutant is one of them, and a good test fails on it.

The changes are those of mutmut's operators: another operator, number or word, an argument or an assignment left out, a branch always
or never taken. Left as they are: what only a type checker reads, and prose (a text with a blank in it), whose wording is nobody's rule.
"""

import hashlib
from collections.abc import Iterator
from pathlib import Path

import libcst as cst
import msgspec
from libcst.metadata import CodeRange, MetadataWrapper, PositionProvider
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
    text = path_of(module).read_text()
    tree = cst.parse_module(text)
    digest = hashlib.sha256(text.encode()).hexdigest()[:12]
    return [
        Mutant(
            module=module, number=number, digest=digest, first_line=place.start.line, last_line=place.end.line, operator=operator,
            before=_said(tree, node), after=_said(tree, changed),
        )
        for number, (node, changed, operator, place) in enumerate(_changes(MetadataWrapper(tree, unsafe_skip_copy=True)))
    ]  # fmt: skip


def text_of(mutant: Mutant) -> str:
    """The module's whole text with that change made."""
    tree = cst.parse_module(mutant.path.read_text())
    for number, (node, changed, _, _) in enumerate(_changes(MetadataWrapper(tree, unsafe_skip_copy=True))):
        if number == mutant.number:
            made = tree.deep_replace(node, changed)
            assert isinstance(made, cst.Module)
            return made.code
    raise LookupError(mutant.key)


def _said(tree: cst.Module, node: cst.CSTNode) -> str:
    return " ".join(tree.code_for_node(node).split())


def _changes(wrapper: MetadataWrapper) -> Iterator[tuple[cst.CSTNode, cst.CSTNode, str, CodeRange]]:
    finder = _Finder()
    wrapper.visit(finder)
    return iter(finder.found)


class _Finder(cst.CSTVisitor):
    METADATA_DEPENDENCIES = (PositionProvider,)

    def __init__(self) -> None:
        self.found: list[tuple[cst.CSTNode, cst.CSTNode, str, CodeRange]] = []
        self.annotations = 0
        self.calls_in_annotation = 0

    def on_visit(self, node: cst.CSTNode) -> bool:
        if isinstance(node, cst.Annotation):
            self.annotations += 1
        # Bounds told in an annotation, `Meta(ge=0)`, hold at run time; the rest of one is a type checker's.
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
                self.found += [
                    (node, changed, operator.__name__.removeprefix("operator_"), place)
                    for changed in operator(node)
                    if not changed.deep_equals(node)
                ]
