from donors.domain.recognising import WORDS, How


def test_certain_ways_need_nobody_and_each_way_has_words():
    assert {how for how in How if how.certain} == {How.EXACT, How.ALIAS, How.WILDCARD}
    assert set(WORDS) == set(How)
