DROP TABLE subscription_positions;
DROP TABLE subscriptions;
