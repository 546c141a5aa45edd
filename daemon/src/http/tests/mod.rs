mod api;
mod farm;
mod hostile;
