"""Conducting a drill: its scenarios one by one, with whoever does what has to be done, up to the dossier."""
