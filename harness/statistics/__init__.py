"""What the records of many units say: yield, control, capability, comparison, the bench itself.

Pure functions of numbers, arrays and small values; nothing here opens records or prints. scipy is loaded by
the functions that use it. A result carries its `caveats`: sentences that must stand beside its numbers
wherever they are shown.
"""
