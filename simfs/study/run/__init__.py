"""Takes the figures of one run and holds them against what the scenario expects. It must not know other runs, power
cuts or the end of a life."""
