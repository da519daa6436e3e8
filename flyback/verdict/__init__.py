"""The judgement: label arithmetic, claims against ceilings, and why."""
