"""One exchange() for every road to the car."""
