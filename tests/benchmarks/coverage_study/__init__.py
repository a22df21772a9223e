"""How often intervals hold the truth, and how far held-out forecasts are off, where truth and model agree or not.

``scenarios`` says what is drawn, what is fitted and what must be reached, ``study`` makes a record of one network,
``judged`` compares records with the targets, ``tables`` prints and writes them.
"""
