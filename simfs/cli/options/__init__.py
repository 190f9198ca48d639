"""Options that several commands share, and what they mean. It must not know any command."""
