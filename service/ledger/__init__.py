"""The log of reports as a Merkle tree: signed tree heads, proofs, and the audit that finds tampering."""
