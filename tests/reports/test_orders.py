"""Making work orders: what the office and the technician notice."""

import json
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from reports.codec import load_order
from reports.errors import DocumentError
from reports.model.order import Action, Condition, Form
from reports.orders import (
    COLUMNS,
    answer_fault,
    order_from_answers,
    orders_from_csv,
    orders_from_table,
    write_order,
    write_orders,
)

TODAY = date(2026, 3, 20)
HEADER = "number,form,serial,part,action,capacity_bytes\n"


def table(text):
    return orders_from_table(text.encode(), "table", TODAY)


def faults_of(call, *arguments):
    with pytest.raises(DocumentError) as caught:
        call(*arguments)
    return [(fault.pointer, fault.found) for fault in caught.value.faults]


def test_answers_make_an_order():
    made = order_from_answers(
        {"number": "LM-1", "form": "laptop", "customer": "A. Example", "budget_minutes": "12.5"},
        [{"part": "memory", "action": "replaced", "substitutes": "A-1 | A-2", "modules": "2"}],
        TODAY,
    )

    assert (made.unit.form, made.ordered, made.budget_minutes) == (Form.LAPTOP, "2026-03-20", 12.5)
    assert made.customer is not None
    assert made.customer.name == "A. Example"
    assert made.lines[0].substitutes == ("A-1", "A-2")
    assert made.lines[0].expected.modules == 2
    assert made.lines[0].condition is Condition.NEW


def test_wrong_answers_are_named_by_their_questions():
    wrong = faults_of(order_from_answers, {"number": "1"}, [{"part": "a", "action": "x"}, {}], TODAY)

    assert wrong == [
        ("form", "no answer"),
        ("line 1, action", '"x"'),
        ("line 2, part", "no answer"),
        ("line 2, action", "no answer"),
    ]


@pytest.mark.parametrize(
    ("name", "answer"),
    [
        ("number", ""),
        ("number", "a/b"),
        ("ordered", "2026-13-01"),
        ("ordered", "2027-01-01"),
        ("action", "swapped"),
        ("serial", "\x1b[0m1"),
        ("capacity_bytes", "0"),
        ("capacity_bytes", "8 GB"),
        ("budget_minutes", "nan"),
    ],
)
def test_a_wrong_answer_is_refused_while_it_is_asked(name, answer):
    fault = answer_fault(name, answer, TODAY)

    assert fault is not None
    assert fault.pointer == name


@pytest.mark.parametrize("column", COLUMNS, ids=lambda column: column.name)
def test_every_choice_offered_is_a_good_answer(column):
    for choice in column.choices or ("5",):
        answer = "2026-03-01" if column.name == "ordered" else choice
        assert answer_fault(column.name, answer, TODAY) is None


def test_rows_of_one_number_make_one_order():
    orders = table(HEADER + "A1,tower,S,drive,replaced,1000\nB,laptop,,fan,serviced,\nA1,,,fan,refitted,\n")

    assert [(order.number, len(order.lines)) for order in orders] == [("A1", 2), ("B", 1)]
    assert orders[0].lines[1].action is Action.REFITTED
    assert orders[0].lines[0].expected.capacity_bytes == 1000


def test_a_table_of_semicolons_with_a_byte_order_mark_is_read(tmp_path):
    path = tmp_path / "orders.csv"
    path.write_bytes(
        b"\xef\xbb\xbfnumber;form;part;action;complaint\r\nA;tower;fan;serviced;hums, then stops\r\n"
    )

    (order,) = orders_from_csv(path, TODAY)

    assert order.complaint == "hums, then stops"


def test_every_faulty_row_and_column_is_named_at_once():
    rows = [
        "A1,tower,S,drive,swapped,0",
        "A1,laptop,,,refitted,x",
        "",
        "B/,,,fan,serviced,",
        "C,tower,,fan,serviced,1,2",
        ",tower,,fan,serviced,",
    ]

    assert faults_of(table, HEADER + "\n".join(rows)) == [
        ("row 6", "7 cells"),
        ("row 3, column form", '"laptop"'),
        ("row 2, column action", '"swapped"'),
        ("row 2, column capacity_bytes", "0"),
        ("row 3, column capacity_bytes", '"x"'),
        ("row 3, column part", "no answer"),
        ("row 5, column number", '"B/"'),
        ("row 5, column form", "no answer"),
        ("row 7, column number", "no answer"),
    ]


def test_rows_count_as_a_spreadsheet_counts_them_when_a_cell_has_a_line_break():
    text = 'number,form,part,action,lot\nA,tower,fan,serviced,"x\ny"\nB,tower,fan,swapped,\n'

    assert [place for place, _ in faults_of(table, text)] == ["row 2, column lot", "row 3, column action"]


def test_a_misspelt_column_is_named_with_the_likely_one():
    with pytest.raises(DocumentError) as caught:
        table("number,form,part,akshion\nA,tower,fan,serviced\n")

    assert [fault.hint for fault in caught.value.faults] == ["is action meant?", "add it"]


@pytest.mark.parametrize("text", ["", "\n\n", "\x0b", HEADER, ",,,\n"])
def test_a_table_without_orders_is_refused(text):
    assert faults_of(table, text)


def test_a_table_in_another_encoding_is_refused_with_its_line():
    assert faults_of(orders_from_table, b"number\n\xe4", "table", TODAY) == [
        ("", "line 2: not UTF-8 text (0xe4)")
    ]


@given(
    st.binary(max_size=80)
    | st.text('number,form;part\n\r"A1|towerfanserviced\x00\x1b', max_size=60).map(lambda t: t.encode())
    | st.text(max_size=60).map(lambda t: (HEADER + t).encode())
)
def test_no_table_raises_anything_but_a_document_error(data):
    try:
        orders_from_table(data, "table", TODAY)
    except DocumentError as error:
        assert error.faults  # noqa: PT017


def one(number):
    return order_from_answers(
        {"number": number, "form": "tower"}, [{"part": "fan", "action": "serviced"}], TODAY
    )


def test_a_written_order_is_read_back(tmp_path):
    path = write_order(tmp_path / "orders", one("LM-1"))

    assert path.name == "LM-1.json"
    assert load_order(path, TODAY) == one("LM-1")
    assert [child.name for child in path.parent.iterdir()] == ["LM-1.json"]


def test_an_order_is_never_overwritten_and_then_none_is_written(tmp_path):
    write_order(tmp_path, one("LM-1"))
    before = (tmp_path / "LM-1.json").read_bytes()

    taken = faults_of(write_orders, tmp_path, [one("LM-2"), one("lm-1")])

    assert taken == [("", "lm-1.json exists already")]
    assert [child.name for child in tmp_path.iterdir()] == ["LM-1.json"]
    assert (tmp_path / "LM-1.json").read_bytes() == before
    assert json.loads(before)["number"] == "LM-1"
