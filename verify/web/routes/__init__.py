"""Routes by person. Each asks for what it needs: who is there, in which store, a form's token."""
