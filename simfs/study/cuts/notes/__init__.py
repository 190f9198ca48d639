"""Records a piece of work: each program and erase, each file call, and what the store had acknowledged. It must not
know how a cut is judged."""
