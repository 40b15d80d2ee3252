def write_page(entries, path):
    raise NotImplementedError
