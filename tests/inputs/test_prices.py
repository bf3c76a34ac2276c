"""The user's price list, and what is said of a bad one."""

import pytest

from lotflow.errors import InputError
from lotflow.inputs.prices import parse_prices, read_prices


def test_further_columns_quotes_and_a_byte_order_mark_are_taken():
    data = '\ufeffItem,Note,Price\n"pipe pvc 4 in","a, b",18.5\n\nspoil,,0\n'.encode()
    assert parse_prices(data, "p.csv") == {"pipe pvc 4 in": 18.5, "spoil": 0.0}


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "columns item and price"),
        (b"item;price\na;1\n", "columns item and price"),
        (b"item,price,price\na,1,2\n", "once each"),
        (b"item,price\na,-1\n", "line 2, price = '-1': must be a number of 0 or more"),
        (b"item,price\na,nan\n", "0 or more"),
        (b"item,price\na,\n", "0 or more"),
        (b'item,price\na,"1,50"\n', "0 or more"),
        (b"item,price\n,2\n", "must have an item"),
        (b"item,price\na,1\nA,2\n", "line 3, item = 'A': the item stands twice"),
        (b"item,price\n\xff,2\n", "UTF-8"),
    ],
)
def test_bad_lists_are_refused_with_line_and_rule(data, says):
    with pytest.raises(InputError, match=r"p\.csv") as error:
        parse_prices(data, "p.csv")
    assert says in str(error.value)


def test_all_faults_are_told_at_once():
    with pytest.raises(InputError) as error:
        parse_prices(b"item,price\na,x\nb,y\n", "p.csv")
    assert len(error.value.faults) == 2


def test_a_missing_file_is_said_to_be_the_price_list(tmp_path):
    with pytest.raises(InputError, match="price list"):
        read_prices(tmp_path / "none.csv")
