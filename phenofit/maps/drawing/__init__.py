"""Maps as pictures: for print (``error_maps``, ``date_maps``) and for the page (``interactive``)."""
