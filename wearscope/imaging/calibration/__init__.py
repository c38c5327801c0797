"""What a photo of a graticule or of a round pin says of the microscope: its scale, the angle of its lamps."""
