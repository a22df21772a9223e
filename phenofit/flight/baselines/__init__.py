"""Traditional rules for the base temperature: ``rules`` for the user, ``rule_search`` for the criteria."""
