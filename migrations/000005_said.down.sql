DROP TABLE warnings, latest_outlooks, outlooks;
