"""One module per family of commands; `agent.cli` imports the one that was typed."""
