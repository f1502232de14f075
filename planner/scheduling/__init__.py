"""What do we do tonight? Subarrays, candidate visits, the solver, the plan and its audit."""
