"""What people do with surveys, free of the web: accounts, links, surveys, photos, advice."""
