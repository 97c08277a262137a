"""Small parts that the window is put together from: its colours and dress, lists, forms, questions."""
