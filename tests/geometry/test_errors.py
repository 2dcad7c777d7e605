"""The tree of errors, and that a code always means something."""

import pickle

import pytest

from geometry import errors


def test_an_unreadable_error_carries_its_code_and_its_sentence() -> None:
    error = errors.UnreadableError("blank", "Nothing is drawn.")
    assert (error.code, error.message, str(error)) == ("blank", "Nothing is drawn.", error.message)


def test_an_unknown_code_is_a_mistake_of_the_program() -> None:
    with pytest.raises(ValueError, match="no-such-code"):
        errors.UnreadableError("no-such-code", "?")


def test_an_unreadable_error_passes_between_processes() -> None:
    back = pickle.loads(pickle.dumps(errors.UnreadableError("bomb", "Too much.")))
    assert (back.code, back.message) == ("bomb", "Too much.")


@pytest.mark.parametrize("name", ["SizeError", "RecipeError", "LimitsError", "DoesNotFitError"])
def test_every_error_is_a_geometry_error(name: str) -> None:
    assert issubclass(getattr(errors, name), errors.GeometryError)


def test_every_documented_code_of_the_contract_exists() -> None:
    contract = (
        "empty too-large unsupported damaged bomb encrypted no-page blank solid low-resolution "
        "unsafe"
    )
    assert set(contract.split()) <= set(errors.ERROR_CODES)
