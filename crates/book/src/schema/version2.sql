-- Where the book went, once it was moved: nothing is written to it after that.
ALTER TABLE log_head ADD COLUMN moved_to TEXT;
