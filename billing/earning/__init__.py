"""What the fleet earns against what it costs: rent, repairs, use, payback, what stands idle, and what is not worth its repair."""
