"""The field sheet: a few pages to carry to the site, to read from and to write on."""
