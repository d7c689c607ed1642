"""The changes that the mutation trial draws are changes, of executed code alone."""

import ast

from mutations import mutations
from subjects import HARMLESS, subjects

SOURCE = '''"""Doc with 1 < 2."""

def f(x: int | None = 3) -> bool:
    """More than 4 + 5."""
    if not x or x <= 2.0:
        raise ValueError("x" + str(7))
    return x * 2 != 6  # ü
'''


def test_each_change_is_one_slip_in_what_is_executed():
    found = mutations("f.py", SOURCE)
    assert [(one.line, one.before, one.after) for one in found] == [
        (3, "3", "4"),
        (5, "2.0", "2.1"),
        (5, "not x", "x"),
        (5, "not x or x <= 2.0", "not x and x <= 2.0"),
        (5, "x <= 2.0", "x < 2.0"),
        (7, "2", "3"),
        (7, "6", "7"),
        (7, "x * 2", "x / 2"),
        (7, "x * 2 != 6", "x * 2 == 6"),
    ]
    for one in found:
        assert ast.dump(ast.parse(one.text)) != ast.dump(ast.parse(SOURCE))
        assert one.text.count("\n") == SOURCE.count("\n")


def test_every_module_of_the_core_has_tests_that_guard_it(request):
    found = subjects()
    assert len(found) > 60
    for module, tests in found.items():
        assert tests, module
        assert all((request.config.rootpath / name).is_file() for name in (module, *tests))
    assert all(reason for reason in HARMLESS.values())
