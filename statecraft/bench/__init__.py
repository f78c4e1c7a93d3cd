"""The live side: the remote in the operator's hand, the bridge to it, and what the machine says while it runs."""
