"""The record of a rebuild: plan, entries, states, who may do what. Pure rules, no storage."""
