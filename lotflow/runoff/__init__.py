"""Rain to runoff: covers, time of concentration, rational and NRCS methods; arrays in and out."""
