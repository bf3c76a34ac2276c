"""What a tap, or Enter on the map, tells of what is drawn there."""


def test_what_is_drawn_at_a_place_is_told_with_its_numbers(plan):
    """Hand shapes: a square with a hole, a bent line, a point; 1 m round the place."""
    told = plan.execute_script(
        "const ring = (a, b) => [[a, a], [a, b], [b, b], [b, a]]; "
        "const square = { kind: 'polygon', parts: [[ring(0, 10), ring(4, 6)]] }; "
        "const line = { kind: 'line', parts: [[[0, 0], [0, 10], [10, 10]]] }; "
        "const point = { kind: 'point', parts: [[3, 4]] }; "
        "return [[square, [2, 2]], [square, [5, 5]], [square, [11, 5]], [line, [0.9, 5]], "
        "[line, [5, 9.2]], [line, [5, 5]], [line, [-0.8, -0.8]], [point, [3.6, 4.7]], "
        "[point, [4, 5]]].map(([shape, at]) => liesAt(shape, at, 1))"
    )
    assert told == [True, False, False, True, True, False, False, True, False]


def test_tooltips_of_flow_paths_and_catchments_are_told_by_a_tap(plan):
    """All lines of the tooltip, of whatever is drawn there and shown."""
    told = (
        "const { drawn } = lotflowPlan; const one = drawn.get(arguments[0]).features[0]; "
        "const part = one.shape.parts[0]; const at = one.shape.kind === 'line' ? part[0] : "
        "lotflowPlan.drawn.get('inlets').rows.get(String(one.name))[0].getLatLng(); "
        "lotflowPlan.tapped(L.latLng(at)); return [one.told.map(([label]) => label), "
        "[...document.querySelectorAll('#answer dt')].map((e) => e.textContent), "
        "document.getElementById('answer').textContent]"
    )
    for layer, title in (("flow_paths", "Flow paths"), ("catchments", "Catchments of the inlets")):
        labels, heads, text = plan.execute_script(told, layer)
        assert any(head.startswith(title) for head in heads)
        assert labels
        assert all(f"{label}: " in text for label in labels)
