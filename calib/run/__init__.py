"""The jobs that users start. Only this package and the benchmarks join the stages."""
