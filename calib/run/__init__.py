"""The only place that joins the stages."""
