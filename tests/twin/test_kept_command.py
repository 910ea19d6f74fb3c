"""The command under which figures of trials are kept claims no seed that was left out."""

from trials import runs


def test_command_names_each_unbroken_run_of_seeds():
    assert runs([200, 201, 217, 218, 219]) == [(200, 2), (217, 3)]
    assert runs([7]) == [(7, 1)]
    assert runs([5, 3, 4]) == [(3, 3)]
