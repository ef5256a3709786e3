"""Print-job timelines, flow against time and setpoint schedules."""
