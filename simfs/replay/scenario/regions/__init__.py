"""How a chip is shared out among the program, its updates, parameters and the store: where each region lies, what is
wrong with that, and what is left. It must not know the tables of a scenario, nor what a run does.
"""
