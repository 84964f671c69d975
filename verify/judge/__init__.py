"""The judgement: pure functions over what the ledger says and what was read, without any I/O."""
