"""What next: studies that put traced parts, readings and possible measurements together."""
