"""What the processor calls itself, and how many of its cores the kernel runs."""

import errno

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st

from agent.machine.linux import cpuinfo
from agent.machine.linux.files import Tree
from reports.model.evidence import Absent, Reading, Why
from tests.support.tools import need, output


def thread(number, package=None, core=None, model="Tarnwick T4 @ 3.00GHz"):
    lines = [f"processor\t: {number}", f"model name\t: {model}"]
    if core is not None:
        lines += [f"physical id\t: {package}", f"core id\t\t: {core}"]
    return "\n".join(lines)


def says(unit, *threads):
    unit.file("/proc/cpuinfo", "\n\n".join(threads) + "\n")


def test_the_model_is_read_with_its_blanks_squeezed(unit):
    says(unit, thread(0, model="  Tarnwick   T4  @ 3.00GHz "))

    assert cpuinfo.model(unit.tree) == Reading("Tarnwick T4 @ 3.00GHz", "", "/proc/cpuinfo")


def test_two_packages_of_one_model_are_named_once_and_others_both(unit):
    says(unit, thread(0), thread(1))
    assert cpuinfo.model(unit.tree).value == "Tarnwick T4 @ 3.00GHz"

    says(unit, thread(0), thread(1, model="Tarnwick T6"))
    assert cpuinfo.model(unit.tree).value == "Tarnwick T4 @ 3.00GHz and Tarnwick T6"


@pytest.mark.parametrize("words", ["processor\t: 0\nBogoMIPS\t: 48.00", thread(0, model="")])
def test_a_processor_that_names_no_model_has_none(unit, words):
    says(unit, words)

    assert cpuinfo.model(unit.tree).why is Why.NOT_THERE
    assert cpuinfo.cores(unit.tree).value == 1


def test_two_threads_of_a_core_are_one_core(unit):
    says(unit, *(thread(number, 0, number // 2) for number in range(8)))

    assert cpuinfo.cores(unit.tree) == Reading(4, "", "/proc/cpuinfo")


def test_cores_of_two_packages_that_share_a_number_are_two(unit):
    says(unit, thread(0, 0, 0), thread(1, 1, 0))

    assert cpuinfo.cores(unit.tree).value == 2


def test_without_core_numbers_each_thread_counts(unit):
    says(unit, thread(0), thread(1), thread(2))

    assert cpuinfo.cores(unit.tree).value == 3


CPU = "/sys/devices/system/cpu"


@pytest.mark.parametrize("name", ["core_cpus", "thread_siblings"])
def test_two_dies_that_number_their_cores_alike_have_all_of_them(unit, name):
    """Four cores whose ids begin at 0 in each die, as captured computers show them."""
    says(unit, *(thread(number, 0, number % 2) for number in range(4)))
    for number in range(4):
        unit.file(f"{CPU}/cpu{number}/topology/{name}", f"{1 << number:08x}")

    assert cpuinfo.cores(unit.tree) == Reading(4, "", f"{CPU}/cpu*/topology")


def test_a_thread_that_is_switched_off_is_no_core(unit):
    for number in (0, 1):
        unit.file(f"{CPU}/cpu{number}/topology/core_cpus", "3")
    unit.file(f"{CPU}/cpu2/online", 0)
    unit.file(f"{CPU}/cpufreq/boost", 1)

    assert cpuinfo.cores(unit.tree).value == 1


def test_a_core_that_cannot_be_asked_is_not_left_out(unit, refuse):
    for number in (0, 1):
        unit.file(f"{CPU}/cpu{number}/topology/core_cpus", f"{1 << number:x}")
    refuse({"cpu1/topology/core_cpus": errno.EIO})

    assert cpuinfo.cores(unit.tree).why is Why.DID_NOT_ANSWER


def test_what_stands_outside_the_threads_is_no_thread(unit):
    says(unit, thread(0, 0, 0), "Hardware\t: Tarnwick Pebble\nRevision\t: 0000")

    assert (cpuinfo.cores(unit.tree).value, cpuinfo.model(unit.tree).value) == (1, "Tarnwick T4 @ 3.00GHz")


@pytest.mark.parametrize("words", ["", "nothing that we know"])
def test_other_words_are_not_understood(unit, words):
    unit.file("/proc/cpuinfo", words)

    assert cpuinfo.model(unit.tree) == Absent(Why.NOT_UNDERSTOOD, "/proc/cpuinfo", words)
    assert cpuinfo.cores(unit.tree).why is Why.NOT_UNDERSTOOD


@pytest.mark.parametrize(
    ("number", "why"),
    [
        (errno.ENOENT, Why.NOT_THERE),
        (errno.EACCES, Why.NOT_PERMITTED),
        (errno.EIO, Why.DID_NOT_ANSWER),
    ],
)
def test_a_file_that_cannot_be_read_says_why(unit, refuse, number, why):
    says(unit, thread(0))
    refuse({"/proc/cpuinfo": number})

    assert cpuinfo.model(unit.tree).why is cpuinfo.cores(unit.tree).why is why


@given(st.text(st.characters(codec="utf-8"), max_size=200))
def test_no_text_raises(text):
    class Told(Tree):
        def data(self, path, limit=0):
            return text.encode()

    for answer in (cpuinfo.model(Told()), cpuinfo.cores(Told())):
        assert isinstance(answer, Reading | Absent)


def by_lscpu():
    lines = (line.partition(":") for line in output(need("lscpu")).splitlines())
    return {name.strip(): value.strip() for name, _, value in lines}


def test_this_computers_processor_is_that_of_lscpu():
    theirs = by_lscpu()
    named = cpuinfo.model(Tree())

    assert (named.value if isinstance(named, Reading) else "-") == theirs.get("Model name", "-")


def test_this_computers_cores_are_those_that_psutil_counts():
    assert cpuinfo.cores(Tree()).value == (psutil.cpu_count(logical=False) or psutil.cpu_count())


@pytest.mark.parametrize(("text", "count"), [("0", 1), ("0-1", 2), ("0-3,6", 5), ("0,2-3\n", 3)])
def test_the_processors_that_run_are_counted(unit, text, count):
    unit.file("/sys/devices/system/cpu/online", text)

    assert cpuinfo.running(unit.tree).value == count


@pytest.mark.parametrize("text", ["", "x", "3-1", "0-"])
def test_a_list_of_processors_that_is_none_is_not_understood(unit, text):
    unit.file("/sys/devices/system/cpu/online", text)

    assert isinstance(cpuinfo.running(unit.tree), Absent)


def test_as_many_run_here_as_psutil_counts():
    assert cpuinfo.running(Tree()).value == psutil.cpu_count()


@pytest.fixture
def unnamed(monkeypatch):
    """This computer, with a file of the kernel that does not name its processor; counts who is asked."""
    asked = []

    def info():
        asked.append(1)
        return {"brand_raw": "Tarnwick  A55"}

    monkeypatch.setattr(cpuinfo, "_threads", lambda tree: [{"processor": "0"}])
    monkeypatch.setattr("cpuinfo.get_cpu_info", info)
    cpuinfo.named_elsewhere.cache_clear()
    yield asked
    cpuinfo.named_elsewhere.cache_clear()


def test_a_processor_that_the_kernel_does_not_name_is_named_by_the_library_asked_once(unnamed):
    first, second = cpuinfo.model(Tree()), cpuinfo.model(Tree())

    assert first == second == Reading("Tarnwick A55", "", "py-cpuinfo")
    assert len(unnamed) == 1


def test_a_copied_tree_is_never_answered_by_the_running_machine(unnamed, unit):
    assert cpuinfo.model(unit.tree).why is Why.NOT_THERE
    assert unnamed == []


def test_a_library_that_gives_up_is_no_crash(unnamed, monkeypatch):
    monkeypatch.setattr("cpuinfo.get_cpu_info", lambda: 1 / 0)

    assert cpuinfo.model(Tree()) == Absent(Why.DID_NOT_ANSWER, "py-cpuinfo", "ZeroDivisionError")


def test_the_library_names_this_computer_as_its_kernel_does():
    cpuinfo.named_elsewhere.cache_clear()

    assert cpuinfo.named_elsewhere() == Reading(cpuinfo.model(Tree()).value, "", "py-cpuinfo")
