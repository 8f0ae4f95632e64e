"""Read, align, locate and judge photos; draw what was found."""
