"""No column bears a word that SQL reserves: it breaks filters and queries in viewers."""

import pytest

from lotflow.layers import RESULT_LAYERS, SITE_LAYERS

#: ISO/IEC 9075:1992, "Database Language SQL", 5.2 <token>, <reserved word>.
_SQL_92 = """
    absolute action add all allocate alter and any are as asc assertion at authorization avg begin
    between bit bit_length both by cascade cascaded case cast catalog char character char_length
    character_length check close coalesce collate collation column commit connect connection
    constraint constraints continue convert corresponding count create cross current current_date
    current_time current_timestamp current_user cursor date day deallocate dec decimal declare
    default deferrable deferred delete desc describe descriptor diagnostics disconnect distinct
    domain double drop else end end-exec escape except exception exec execute exists external
    extract false fetch first float for foreign found from full get global go goto grant group
    having hour identity immediate in indicator initially inner input insensitive insert int integer
    intersect interval into is isolation join key language last leading left level like local lower
    match max min minute module month names national natural nchar next no not null nullif numeric
    octet_length of on only open option or order outer output overlaps pad partial position
    precision prepare preserve primary prior privileges procedure public read real references
    relative restrict revoke right rollback rows schema scroll second section select session
    session_user set size smallint some space sql sqlcode sqlerror sqlstate substring sum
    system_user table temporary then time timestamp timezone_hour timezone_minute to trailing
    transaction translate translation trim true union unique unknown update upper usage user using
    value values varchar varying view when whenever where with work write year zone
"""

#: sqlite.org, "SQLite Keywords".
_SQLITE = """
    abort action add after all alter always analyze and as asc attach autoincrement before begin
    between by cascade case cast check collate column commit conflict constraint create cross
    current current_date current_time current_timestamp database default deferrable deferred delete
    desc detach distinct do drop each else end escape except exclude exclusive exists explain fail
    filter first following for foreign from full generated glob group groups having if ignore
    immediate in index indexed initially inner insert instead intersect into is isnull join key
    last left like limit match materialized natural no not nothing notnull null nulls of offset on
    or order others outer over partition plan pragma preceding primary query raise range recursive
    references regexp reindex release rename replace restrict returning right rollback row rows
    savepoint select set table temp temporary then ties to transaction trigger unbounded union
    unique update using vacuum values view virtual when where window with without
"""


#: The contract of observations calls it so; only the tables to draw in have it, which no style
#: filters by it, and the viewer knows no such word.
_PROMISED = {"date"}


@pytest.mark.parametrize("layer", [*RESULT_LAYERS.values(), *SITE_LAYERS.values()],
                         ids=lambda layer: layer.name)  # fmt: skip
def test_no_column_is_a_reserved_word(layer):
    """A filter such as `case = 'open'` does not parse, and the layer draws nothing."""
    names = {name.casefold() for column in layer.columns for name in column.file_names}
    assert not names & {*_SQL_92.split(), *_SQLITE.split()} - _PROMISED
