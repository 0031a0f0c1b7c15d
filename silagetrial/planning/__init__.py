"""Plan a trial: who gets which bale, how many pairs, and the analysis written down beforehand."""
