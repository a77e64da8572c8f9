"""The data contract: schemas of the input tables (`inputs`) and of the output tables (`outputs`)."""
