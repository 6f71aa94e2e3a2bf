# Thin on purpose: every target is a chore of xtask, so that there is one place to read.
.PHONY: demo test bench dist

demo: ## build everything and open the demo country
	cargo run --quiet --package xtask -- demo

test: ## every test there is, with the set-up it needs
	cargo run --quiet --package xtask -- test

bench: ## seeded benchmarks with asserted results
	cargo run --quiet --package xtask -- bench

dist: ## one self-contained binary in dist/
	cargo run --quiet --package xtask -- dist
