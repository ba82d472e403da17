"""Every address, by the table: what it answers whom. An address that has no row here fails."""

from __future__ import annotations

from farmwatch.pages.routes import ROUTES
from tests.pages.conftest import Pages


def test_every_address_that_is_served_has_a_row_and_the_other_way_about(farm: Pages):
    served = {(rule.rule, method) for rule in farm.app.url_map.iter_rules() for method in rule.methods - {"HEAD"}}

    assert served == {(route.rule, route.method) for route in ROUTES}
    assert len({route.name for route in ROUTES}) == len(ROUTES)
