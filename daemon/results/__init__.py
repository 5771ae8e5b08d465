"""Finished tests read back from the journal: lists, ranking, check lamps, lamp register, files handed on."""
