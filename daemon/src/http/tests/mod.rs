mod api;
mod described;
mod farm;
mod hostile;
mod pages;
