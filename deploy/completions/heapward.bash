# The program itself knows its commands; this asks it when the first one is completed.
eval "$(heapward completions bash)"
