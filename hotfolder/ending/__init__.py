"""How a job ends: delivered, held or refused; and how a person's decision brings it back."""
