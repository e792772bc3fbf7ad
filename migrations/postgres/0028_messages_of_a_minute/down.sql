DROP INDEX notices_updated;
