"""What leaves a design: its report and its dimensioned drawing."""
