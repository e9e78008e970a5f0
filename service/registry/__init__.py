"""The register, which everything else refers to: utilities, premises, assemblies, testers and gauges."""
