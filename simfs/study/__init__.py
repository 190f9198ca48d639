"""Works out figures from what devices did, and runs devices anew to see what else could happen to them. It must not
know terminals, or how a figure is laid out."""
