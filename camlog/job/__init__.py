"""The job: one record from the complaint to the handed-over car."""
