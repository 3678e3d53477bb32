"""What a bend is: metal and gauges, setback, allowance laws, bend facts of a pattern."""
