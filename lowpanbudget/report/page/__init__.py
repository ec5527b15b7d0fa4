"""One page to show to others: a file that opens without network, with every figure drawn from what was encoded."""
