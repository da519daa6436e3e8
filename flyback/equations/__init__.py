"""The physics: one file per stage in the order that power flows, one function per formula."""
