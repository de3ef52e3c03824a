"""Memory errors, where the memory counts them."""

from agent.machine.linux import edac
from reports.model.evidence import Why


def controller(unit, number=0, **files):
    unit.device(f"system/edac/mc/mc{number}", mc_name="tarn_edac", ce_count=0, ue_count=0, **files)


def test_a_controller_and_its_modules_are_counted_apart(unit):
    controller(unit)
    unit.file("/sys/devices/system/edac/mc/mc0/ce_count", 12)
    unit.device("system/edac/mc/mc0/dimm0", dimm_label="SLOT A1", dimm_ce_count=12, dimm_ue_count=0)
    unit.device("system/edac/mc/mc0/dimm1", dimm_label="", dimm_ce_count=0, dimm_ue_count=0)

    (whole,) = edac.controllers(unit.tree)
    first, second = edac.modules(unit.tree)

    assert (whole.corrected.value, whole.uncorrected.value) == (12, 0)
    assert (first.label, first.corrected.value) == ("SLOT A1", 12)
    assert (second.id, second.label) == ("mc0/dimm1", "dimm1")


def test_memory_without_error_correction_is_not_supported_and_not_error_free(unit):
    assert edac.controllers(unit.tree).why is Why.NOT_SUPPORTED
    unit.device("system/edac/mc", power="")
    assert edac.modules(unit.tree).why is Why.NOT_SUPPORTED


def test_a_count_that_cannot_be_read_says_why(unit):
    controller(unit)
    unit.place("/sys/devices/system/edac/mc/mc0/ue_count").unlink()

    assert edac.controllers(unit.tree)[0].uncorrected.why is Why.NOT_THERE
