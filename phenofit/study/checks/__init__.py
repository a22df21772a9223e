"""What a check examines in addition to the cells: the intervals of each trap, its weather; and the document for programs.

Read ``trap_survey``, ``survey_document``.
"""
