"""Small changes of a module's functions, each of which a test should notice."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from types import CodeType

_COMPARED: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
}
_COUNTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv,
    ast.FloorDiv: ast.Mult,
    ast.Div: ast.Mult,
    ast.Mod: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
_CALLED = {"any": "all", "all": "any", "min": "max", "max": "min"}


@dataclass(frozen=True, kw_only=True, slots=True)
class Change:
    """One change of one function."""

    module: str
    function: str
    """Qualified name of the outermost function that holds the change."""
    text: str
    """``old -> new``, numbered where it stands there twice; no line, so that it stays when lines move."""
    lines: range
    """Lines of the statement; a test that runs none of them cannot notice."""
    code: CodeType
    """The whole module with the change made, compiled."""

    @property
    def key(self) -> tuple[str, str, str]:
        return self.module, self.function, self.text


def changes_of(module: str, file: Path, *, seed: int, sample: int) -> list[Change]:
    """Return *sample* changes of the functions in *file*, the same ones for the same seed."""
    tree = ast.parse(file.read_text("utf-8"))
    found: dict[tuple[str, str], tuple[ast.stmt, ast.AST, ast.AST]] = {}
    times: Counter[tuple[str, str]] = Counter()
    for name, function in _functions(tree, ""):
        for body in function.body:
            for statement in (one for one in ast.walk(body) if isinstance(one, ast.stmt)):
                for old, new in _swaps(statement):
                    text = f"{ast.unparse(old)} -> {ast.unparse(new)}"
                    if isinstance(old, ast.Constant):
                        text += f" in {ast.unparse(statement).splitlines()[0]}"
                    times[name, text] += 1
                    if times[name, text] > 1:
                        text += f" ({times[name, text]})"
                    found[name, text] = (statement, old, new)

    def rank(key: tuple[str, str]) -> str:
        # An edit elsewhere in the module does not change which ones are drawn.
        return sha256(f"{seed} {module} {key[0]} {key[1]}".encode()).hexdigest()

    return [
        Change(
            module=module,
            function=name,
            text=text,
            lines=_lines(found[name, text][0]),
            code=_compiled(tree, str(file), *found[name, text][1:]),
        )
        for name, text in sorted(found, key=rank)[:sample]
    ]


def _functions(
    node: ast.AST, prefix: str
) -> Iterator[tuple[str, ast.FunctionDef | ast.AsyncFunctionDef]]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.FunctionDef | ast.AsyncFunctionDef):
            yield prefix + child.name, child
        elif isinstance(child, ast.ClassDef):
            yield from _functions(child, f"{prefix}{child.name}.")


def _lines(statement: ast.stmt) -> range:
    body = getattr(statement, "body", None)
    last = body[0].lineno - 1 if isinstance(body, list) else statement.end_lineno or 0
    return range(statement.lineno, max(last, statement.lineno) + 1)


def _compiled(tree: ast.Module, file: str, old: ast.AST, new: ast.AST) -> CodeType:
    """Compile *tree* with *new* in place of *old*; the tree is left as it was."""
    new = ast.fix_missing_locations(ast.copy_location(new, old))
    for parent in list(ast.walk(tree)):
        for field, value in ast.iter_fields(parent):
            if value is old:
                setattr(parent, field, new)
                code = compile(tree, file, "exec")
                setattr(parent, field, old)
                return code
            if isinstance(value, list) and any(one is old for one in value):
                setattr(parent, field, [new if one is old else one for one in value])
                code = compile(tree, file, "exec")
                setattr(parent, field, value)
                return code
    raise AssertionError("the node is not in the tree")


def _swaps(statement: ast.stmt) -> Iterator[tuple[ast.AST, ast.AST]]:
    """Yield (node, node in its place) for what belongs to *statement* itself."""
    match statement:
        case ast.Expr(value=ast.Call()) | ast.AugAssign() | ast.Continue() | ast.Break():
            yield statement, ast.Pass()
        case ast.Return(value=ast.expr() as value) if not isinstance(value, ast.Constant):
            yield statement, ast.Return(value=ast.Constant(value=None))
        case ast.Raise() | ast.Assert() | ast.AnnAssign(value=None) | ast.FunctionDef():
            return  # what is raised is text; what is asserted no user meets
        case ast.If(test=test) | ast.While(test=test):
            yield test, _negated(test)
        case _:
            pass
    for node in _own(statement):
        yield from _expression_swaps(node)


def _own(statement: ast.stmt) -> Iterator[ast.AST]:
    waiting: list[ast.AST] = [statement]
    while waiting:
        node = waiting.pop()
        yield node
        waiting.extend(
            child
            for field, value in ast.iter_fields(node)
            if field not in {"annotation", "pattern"}
            for child in (value if isinstance(value, list) else [value])
            if isinstance(child, ast.AST) and not isinstance(child, ast.stmt | ast.JoinedStr)
        )


def _expression_swaps(node: ast.AST) -> Iterator[tuple[ast.AST, ast.AST]]:
    match node:
        case ast.Compare(ops=[op, *more]):
            yield node, ast.Compare(node.left, [_COMPARED[type(op)](), *more], node.comparators)
        case ast.BoolOp(op=op, values=values):
            yield node, ast.BoolOp(ast.Or() if isinstance(op, ast.And) else ast.And(), values)
        case ast.UnaryOp(op=ast.Not(), operand=operand):
            yield node, operand
        case ast.BinOp(left=left, op=op, right=right) if type(op) in _COUNTED:
            yield node, ast.BinOp(left, _COUNTED[type(op)](), right)
        case ast.Constant(value=bool() as value):
            yield node, ast.Constant(not value)
        case ast.Constant(value=int() as value):
            yield node, ast.Constant(value + 1)
        case ast.IfExp(test=test):
            yield test, _negated(test)
        case ast.comprehension(ifs=ifs):
            for one in ifs:
                yield one, _negated(one)
        case ast.Call(func=ast.Name(id=name), args=args, keywords=keywords) if name in _CALLED:
            yield node, ast.Call(ast.Name(_CALLED[name], ast.Load()), args, keywords)
        case ast.Call(func=ast.Name(id="sorted") as name, args=args, keywords=keywords):
            backwards = ast.keyword("reverse", ast.Constant(True))
            others = [one for one in keywords if one.arg != "reverse"]
            if len(others) == len(keywords):
                others.append(backwards)
            yield node, ast.Call(name, args, others)
        case _:
            pass


def _negated(test: ast.expr) -> ast.expr:
    return ast.UnaryOp(ast.Not(), test)
