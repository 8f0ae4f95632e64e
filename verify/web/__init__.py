"""The pages: crew on the phone, the board at the machine, manager, supervisor."""
