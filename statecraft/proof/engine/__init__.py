"""How configurations are told apart and followed: conditions, clusters, decision diagrams, zones, exploration."""
